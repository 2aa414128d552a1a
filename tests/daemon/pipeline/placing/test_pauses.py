"""Pauses: which times they hold, and what they cut out of a path."""

from __future__ import annotations

import numpy as np

from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.placed import ProbePath


def path(*times: int) -> ProbePath:
    """Return a path through samples at these times, all known but the join."""
    n = len(times)
    known = np.ones(n, bool)
    known[0] = False
    return ProbePath(
        time=np.array(times, np.int64),
        scan=np.arange(n, dtype=np.float64),
        index=np.arange(n, dtype=np.float64) + 10.0,
        known=known,
        resets=np.zeros(n, bool),
        silent=np.arange(n) % 2 == 1,
        settled=np.array(times, np.int64) + 100,
        blur=np.zeros((n, 2)),
    )


def held(pauses: Pauses, *times: int) -> list[bool]:
    """Return whether each time is in a pause."""
    return [bool(one) for one in pauses.holds(np.array(times, np.int64))]


def test_no_pause_holds_nothing() -> None:
    """Before any pause every reading counts, and a path is left as it is."""
    pauses = Pauses()
    assert held(pauses, -5, 0, 10**18) == [False] * 3
    whole = path(1, 2, 3)
    assert pauses.cut(whole) is whole
    assert pauses.last_end is None


def test_pause_holds_from_its_begin_up_to_its_end() -> None:
    """The begin belongs to a pause, the end does not; between two pauses readings count."""
    pauses = Pauses()
    pauses.begin(100, by="A. Kern", because="couplant")
    assert (pauses.active, pauses.by, pauses.because) == (True, "A. Kern", "couplant")
    assert pauses.last_end is None
    assert held(pauses, 99, 100, 10**18) == [False, True, True]
    pauses.end(200)
    assert (pauses.active, pauses.by, pauses.because) == (False, "", "")
    pauses.begin(300, by="A. Kern", because="tea")
    assert pauses.last_end == 200
    pauses.end(400)
    assert held(pauses, 99, 100, 199, 200, 299, 300, 399, 400) == [
        False, True, True, False, False, True, True, False,
    ]  # fmt: skip
    assert pauses.last_end == 400


def test_pause_that_lasts_takes_a_newer_name_only() -> None:
    """To pause again renames the pause; to end one that is over changes nothing."""
    pauses = Pauses()
    pauses.begin(100, by="A. Kern", because="couplant")
    pauses.begin(150, by="crew-1", because="lift")
    assert (pauses.by, pauses.because) == ("crew-1", "lift")
    assert held(pauses, 99, 100, 149) == [False, True, True]
    pauses.end(200)
    pauses.end(300)
    assert held(pauses, 199, 200, 250) == [True, False, False]
    assert pauses.last_end == 200


def test_pause_from_the_start_holds_what_is_older_than_the_run() -> None:
    """Only a run's first pause reaches back over all that waited in a port."""
    pauses = Pauses()
    pauses.begin(100, by="crawler", because="homing", from_start=True)
    pauses.end(200)
    assert held(pauses, -(10**18), 199, 200) == [True, True, False]
    pauses.begin(300, by="crawler", because="homing", from_start=True)
    assert held(pauses, 250, 300) == [False, True]


def test_pause_from_the_start_does_not_take_over_that_of_an_earlier_run() -> None:
    """A daemon that was killed in a person's pause comes back in it, whoever drives."""
    pauses = Pauses()
    pauses.begin(100, by="A. Kern", because="couplant")
    pauses.reopen()
    pauses.begin(5, by="crawler", because="no reference", from_start=True)
    assert (pauses.active, pauses.by, pauses.because) == (True, "A. Kern", "couplant")
    pauses.begin(6, by="crawler", because="homing, let go on by A. Kern")
    assert pauses.by == "crawler"


def test_reopen_keeps_a_pause_and_no_times() -> None:
    """A run that begins in a pause holds from its very start; ended pauses are forgotten."""
    pauses = Pauses()
    pauses.begin(100, by="A. Kern", because="couplant")
    pauses.reopen()
    assert pauses.active
    assert held(pauses, -(10**18), 5) == [True, True]
    pauses.end(50)
    assert held(pauses, 49, 50, 150) == [True, False, False]
    pauses.reopen()
    assert held(pauses, 49) == [False]


def test_cut_drops_the_samples_of_a_pause() -> None:
    """No path leads over the pause: the first sample after it is a position reset."""
    pauses = Pauses()
    pauses.begin(20, by="A. Kern", because="couplant")
    pauses.end(40)
    cut = pauses.cut(path(0, 10, 20, 30, 40, 50))
    assert cut is not None
    assert cut.time.tolist() == [0, 10, 40, 50]
    assert cut.scan.tolist() == [0.0, 1.0, 4.0, 5.0]
    assert cut.index.tolist() == [10.0, 11.0, 14.0, 15.0]
    assert cut.known.tolist() == [False, True, False, True]
    assert cut.resets.tolist() == [False, False, True, False]
    assert cut.silent.tolist() == [False, True, False, True]
    assert cut.settled.tolist() == [100, 110, 140, 150]


def test_cut_of_a_pause_between_two_samples() -> None:
    """A pause shorter than the time between two samples parts them all the same."""
    pauses = Pauses()
    pauses.begin(12, by="A. Kern", because="couplant")
    pauses.end(18)
    cut = pauses.cut(path(0, 10, 20))
    assert cut is not None
    assert cut.time.tolist() == [0, 10, 20]
    assert cut.known.tolist() == [False, True, False]
    assert cut.resets.tolist() == [False, False, True]


def test_cut_inside_a_pause_leaves_nothing_and_outside_everything() -> None:
    """A piece of path wholly in a pause is None; one wholly outside is the same object."""
    pauses = Pauses()
    pauses.begin(20, by="A. Kern", because="couplant")
    assert pauses.cut(path(20, 30)) is None
    pauses.end(40)
    after = path(40, 50, 60)
    assert pauses.cut(after) is after
