"""Pauses: when the last one ended, and what of the probe's path is left between them."""

from __future__ import annotations

import numpy as np

from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.placer import ProbePath


def path(*times: int) -> ProbePath:
    """Return a path whose scan position is its time."""
    time = np.array(times, np.int64)
    return ProbePath(
        time=time,
        scan=time.astype(np.float64),
        index=np.zeros(time.size),
        known=np.ones(time.size, bool),
        resets=np.zeros(time.size, bool),
        silence=np.zeros(time.size, np.int64),
        usual=10,
    )


def test_last_end_is_that_of_the_last_pause_that_ended() -> None:
    """A pause that lasts has no end yet, and a new run knows none."""
    pauses = Pauses()
    assert pauses.last_end is None
    pauses.begin(100, by="crew-1", because="couplant")
    assert pauses.last_end is None
    pauses.end(300)
    assert pauses.last_end == 300
    pauses.begin(400, by="crew-1", because="couplant")
    assert pauses.last_end == 300
    pauses.end(500)
    pauses.end(600)  # without a pause it changes nothing
    assert pauses.last_end == 500
    pauses.reopen()
    assert pauses.last_end is None
    assert not pauses.holds(np.array([100, 299, 450])).any()


def test_path_of_no_pause_is_the_path_itself() -> None:
    """Before the first pause, and away from all of them, nothing is cut."""
    pauses = Pauses()
    made = path(10, 20, 30)
    assert pauses.cut(made) is made
    pauses.begin(100, by="crew-1", because="couplant")
    assert pauses.cut(made) is made
    pauses.end(200)
    later = path(200, 210)
    assert pauses.cut(later) is later


def test_path_is_not_joined_across_a_pause() -> None:
    """The first sample after a pause is a position reset, whether or not the pause had samples."""
    pauses = Pauses()
    pauses.begin(100, by="crew-1", because="couplant")
    pauses.end(200)
    for made in (path(90, 100, 199, 200, 210), path(90, 200, 210)):
        cut = pauses.cut(made)
        assert cut is not None
        assert cut.time.tolist() == cut.scan.tolist() == [90, 200, 210]
        assert cut.known.tolist() == [True, False, True]
        assert cut.resets.tolist() == [False, True, False]
    assert pauses.cut(path(100, 150, 199)) is None
