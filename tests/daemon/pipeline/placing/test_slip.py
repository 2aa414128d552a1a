"""Slips: a change of the difference between two tracks of one axis."""

from __future__ import annotations

import numpy as np
import pytest

from swathe.pipeline.placing.slip import Slip, SlipWatch
from swathe.pipeline.placing.track import EncodedTrack


def track(*samples: tuple[int, float]) -> EncodedTrack:
    """Return a track with samples as (ns, mm)."""
    made = EncodedTrack(bracket_ns=1000)
    append(made, *samples)
    return made


def append(made: EncodedTrack, *samples: tuple[int, float]) -> None:
    """Add samples as (ns, mm) to a track."""
    made.append(np.array([t for t, _ in samples], np.int64), np.array([x for _, x in samples]))


def watch_of(
    first: EncodedTrack, second: EncodedTrack, tolerance: float, *, lateness: int = 0
) -> SlipWatch:
    """Return a watch of the scan axis."""
    return SlipWatch("scan", first, second, tolerance, lateness_ns=lateness)


def slip(
    *, agreed: int, time: int, position: float, distance: float, known: int | None = None
) -> Slip:
    """Return a slip of the scan axis; it is known with its own sample unless `known` is given."""
    return Slip("scan", agreed, time, time if known is None else known, position, distance)


def test_first_difference_is_no_slip_and_a_change_of_it_is() -> None:
    """Two encoders need not agree on zero; what counts is that they keep their difference."""
    first, second = track((0, 10.0)), track((0, 500.0))
    watch = watch_of(first, second, 2.0)
    assert watch.look() == []
    append(first, (100, 20.0))
    append(second, (100, 512.0))  # 2 mm is within the tolerance
    assert watch.look() == []
    append(first, (200, 30.0))
    append(second, (200, 522.5))
    assert watch.look() == [slip(agreed=0, time=200, position=30.0, distance=-2.5)]


def test_slip_the_other_way_and_the_new_difference() -> None:
    """After a slip the new difference is the one to keep."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 1.0)
    watch.look()
    append(first, (100, 15.0))
    append(second, (100, 10.0))
    assert watch.look() == [slip(agreed=0, time=100, position=15.0, distance=5.0)]
    assert watch.look() == []
    append(first, (200, 25.9))
    append(second, (200, 20.0))
    assert watch.look() == []


def test_compared_at_the_newest_time_that_both_have() -> None:
    """An encoder that is ahead of the other is compared where the other is."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 1.0)
    watch.look()
    append(first, (100, 10.0), (200, 20.0))
    append(second, (150, 15.0))
    assert watch.look() == []
    append(second, (250, 18.0))
    assert watch.look() == [
        slip(agreed=150, time=200, known=250, position=20.0, distance=20.0 - 16.5)
    ]


def test_no_sample_or_unknown_position_is_no_slip() -> None:
    """Before both have a sample, and across a position reset, nothing is compared."""
    empty = track()
    assert watch_of(empty, track((0, 1.0)), 1.0).look() == []
    assert watch_of(track((0, 1.0)), empty, 1.0).look() == []
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 1.0)
    watch.look()
    append(first, (100, 10.0))
    second.append(np.array([200]), np.array([99.0]), np.array([True]))
    assert watch.look() == []


def test_restart_takes_the_next_difference() -> None:
    """When the first track is set to a position, the jump of the difference is no slip."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 1.0)
    watch.look()
    first.append(np.array([0]), np.array([300.0]), np.array([True]))
    watch.restart()
    append(first, (100, 310.0))
    append(second, (100, 10.0))
    assert watch.look() == []
    append(first, (200, 315.0))
    append(second, (200, 20.0))
    assert watch.look() == [slip(agreed=100, time=200, position=315.0, distance=-5.0)]


@pytest.mark.parametrize("first_is_ahead", [True, False])
@pytest.mark.parametrize(("end", "slips"), [(1000, True), (1001, False)])
def test_no_slip_where_a_position_is_unknown(
    end: int, slips: bool, *, first_is_ahead: bool
) -> None:
    """Within a pair of samples too far apart no difference is known."""
    one, other = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(one, other, 2.0)
    assert watch.look() == []
    ahead, behind = (one, other) if first_is_ahead else (other, one)
    append(ahead, (end, 50.0))
    append(behind, (50, 0.0))
    assert bool(watch.look()) == slips


def test_second_source_keeps_only_what_is_still_to_be_compared() -> None:
    """The other source is for comparison only: what was compared is dropped, of it alone."""
    first = track(*((k, float(k)) for k in range(50)))
    second = track(*((k, float(k)) for k in range(60)))
    assert watch_of(first, second, 2.0).look() == []
    assert second.times.tolist() == list(range(49, 60))
    assert first.times.size == 50


def test_two_slips_in_a_row_are_both_found() -> None:
    """Each is compared with the difference after the one before."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 1.0)
    watch.look()
    append(first, (100, 15.0), (200, 30.0), (300, 31.0))
    append(second, (100, 10.0), (200, 20.0), (300, 21.0))
    assert watch.look() == [
        slip(agreed=0, time=100, position=15.0, distance=5.0),
        slip(agreed=100, time=200, position=30.0, distance=5.0),
    ]


def test_rest_that_still_lasts_is_compared_no_further_than_it_is_settled() -> None:
    """A sample that was on its way belongs to the time of the rest; its slip is found."""
    first = EncodedTrack(bracket_ns=1000, lateness_ns=30)
    append(first, (0, 0.0))
    second = track((0, 0.0), (450, 0.0), (480, 0.0))
    watch = watch_of(first, second, 1.0)
    first.hold(500)
    assert watch.look() == []
    first.append(np.array([465]), np.array([5.0]), known=np.array([490]), rests=True)
    append(second, (500, 0.0))
    assert [(slip.time, slip.distance) for slip in watch.look()] == [(465, 5.0)]


def test_agreement_is_within_half_the_tolerance() -> None:
    """What was read after the last sample within 1 mm of 2 mm is at an unsound position."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 2.0)
    append(first, (100, 11.0), (200, 21.01), (300, 32.0), (400, 43.0))
    append(second, (100, 10.0), (200, 20.0), (300, 30.0), (400, 40.0))
    assert watch.look() == [slip(agreed=100, time=400, position=43.0, distance=3.0)]


def test_slip_is_known_once_both_sources_cover_it() -> None:
    """The later one of the two samples that bracket it decides."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 2.0)
    first.append(np.array([100]), np.array([10.0]), known=np.array([350]))
    second.append(np.array([90, 120]), np.array([0.0, 0.0]), known=np.array([95, 700]))
    assert watch.look() == [
        slip(agreed=0, time=90, known=350, position=9.0, distance=9.0),
    ]


def test_set_position_is_no_slip_and_the_next_difference_counts() -> None:
    """An index mark sets the first source at a sample; it may be compared much later."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 1.0)
    first.append(
        np.array([100, 200, 300]), np.array([10.0, 25.0, 35.0]), np.array([False, True, False])
    )
    watch.set_at(200)
    append(second, (100, 10.0))
    assert watch.look() == []
    append(second, (200, 20.0), (300, 30.0))
    assert watch.look() == []
    append(first, (400, 45.0))
    append(second, (400, 42.0))
    assert watch.look() == [slip(agreed=300, time=400, position=45.0, distance=-2.0)]


def test_difference_that_does_not_last_is_no_slip() -> None:
    """A late sample of a moving probe is as far off; it lasts no longer than it may be on its way."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 2.0, lateness=50)
    append(first, (100, 13.0), (149, 17.0), (150, 15.5), (160, 19.0), (200, 23.0), (209, 24.0))
    append(second, *((k, k / 10) for k in (100, 149, 150, 160, 200, 209)))
    assert watch.look() == []
    append(first, (210, 24.5))
    append(second, (210, 21.0))
    assert watch.look() == [slip(agreed=150, time=160, known=210, position=19.0, distance=3.5)]
    append(first, (290, 32.6))
    append(second, (290, 29.0))
    assert watch.look() == []


def test_difference_to_the_other_side_is_another_one() -> None:
    """Each side is to last by itself."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = watch_of(first, second, 2.0, lateness=50)
    append(first, (100, 5.0), (140, -5.0), (180, 5.0), (220, -5.0))
    append(second, (100, 0.0), (140, 0.0), (180, 0.0), (220, 0.0))
    assert watch.look() == []
    append(first, (280, -5.0))
    append(second, (280, 0.0))
    assert watch.look() == [slip(agreed=0, time=220, known=280, position=-5.0, distance=-5.0)]


def test_slip_that_waits_is_found_in_whatever_pieces_it_comes() -> None:
    """Looking more often finds the same slips."""
    times = range(0, 1000, 7)
    found = []
    for looks in (1, 10, 1000):
        first, second = track((0, 0.0)), track((0, 0.0))
        watch = watch_of(first, second, 2.0, lateness=50)
        slips = []
        for k, time in enumerate(times):
            append(first, (time, time / 10 + (5.0 if time > 500 else 0.0) + (time % 3)))
            append(second, (time, time / 10))
            if k % looks == 0:
                slips += watch.look()
        found.append(slips + watch.look())
    assert len(found[0]) == 1
    assert found[0] == found[1] == found[2]
