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


def test_first_difference_is_no_slip_and_a_change_of_it_is() -> None:
    """Two encoders need not agree on zero; what counts is that they keep their difference."""
    first, second = track((0, 10.0)), track((0, 500.0))
    watch = SlipWatch(first, second, 2.0)
    assert watch.look() == []
    append(first, (100, 20.0))
    append(second, (100, 512.0))  # 2 mm is within the tolerance
    assert watch.look() == []
    append(first, (200, 30.0))
    append(second, (200, 522.5))
    assert watch.look() == [Slip(200, 30.0, -2.5)]


def test_slip_the_other_way_and_the_new_difference() -> None:
    """After a slip the new difference is the one to keep."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = SlipWatch(first, second, 1.0)
    watch.look()
    append(first, (100, 15.0))
    append(second, (100, 10.0))
    assert watch.look() == [Slip(100, 15.0, 5.0)]
    assert watch.look() == []
    append(first, (200, 25.9))
    append(second, (200, 20.0))
    assert watch.look() == []


def test_compared_at_the_newest_time_that_both_have() -> None:
    """An encoder that is ahead of the other is compared where the other is."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = SlipWatch(first, second, 1.0)
    watch.look()
    append(first, (100, 10.0), (200, 20.0))
    append(second, (150, 15.0))
    assert watch.look() == []
    append(second, (250, 18.0))
    assert watch.look() == [Slip(200, 20.0, 20.0 - 16.5)]


def test_no_sample_or_unknown_position_is_no_slip() -> None:
    """Before both have a sample, and across a position reset, nothing is compared."""
    empty = track()
    assert SlipWatch(empty, track((0, 1.0)), 1.0).look() == []
    assert SlipWatch(track((0, 1.0)), empty, 1.0).look() == []
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = SlipWatch(first, second, 1.0)
    watch.look()
    append(first, (100, 10.0))
    second.append(np.array([200]), np.array([99.0]), np.array([True]))
    assert watch.look() == []


def test_restart_takes_the_next_difference() -> None:
    """When the first track is set to a position, the jump of the difference is no slip."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = SlipWatch(first, second, 1.0)
    watch.look()
    first.append(np.array([0]), np.array([300.0]), np.array([True]))
    watch.restart()
    append(first, (100, 310.0))
    append(second, (100, 10.0))
    assert watch.look() == []
    append(first, (200, 315.0))
    append(second, (200, 20.0))
    assert watch.look() == [Slip(200, 315.0, -5.0)]


@pytest.mark.parametrize("first_is_ahead", [True, False])
@pytest.mark.parametrize(("end", "slips"), [(1000, True), (1001, False)])
def test_no_slip_where_a_position_is_unknown(
    end: int, slips: bool, *, first_is_ahead: bool
) -> None:
    """Within a pair of samples too far apart no difference is known."""
    one, other = track((0, 0.0)), track((0, 0.0))
    watch = SlipWatch(one, other, 2.0)
    assert watch.look() == []
    ahead, behind = (one, other) if first_is_ahead else (other, one)
    append(ahead, (end, 50.0))
    append(behind, (50, 0.0))
    assert bool(watch.look()) == slips


def test_second_source_keeps_only_what_is_still_to_be_compared() -> None:
    """The other source is for comparison only: what was compared is dropped, of it alone."""
    first = track(*((k, float(k)) for k in range(50)))
    second = track(*((k, float(k)) for k in range(60)))
    assert SlipWatch(first, second, 2.0).look() == []
    assert second.times.tolist() == list(range(49, 60))
    assert first.times.size == 50


def test_two_slips_in_a_row_are_both_found() -> None:
    """Each is compared with the difference after the one before."""
    first, second = track((0, 0.0)), track((0, 0.0))
    watch = SlipWatch(first, second, 1.0)
    watch.look()
    append(first, (100, 15.0), (200, 30.0), (300, 31.0))
    append(second, (100, 10.0), (200, 20.0), (300, 21.0))
    assert watch.look() == [Slip(100, 15.0, 5.0), Slip(200, 30.0, 5.0)]


def test_rest_that_still_lasts_is_compared_no_further_than_it_is_settled() -> None:
    """A sample that was on its way belongs to the time of the rest; its slip is found."""
    first = EncodedTrack(bracket_ns=1000, lateness_ns=30)
    append(first, (0, 0.0))
    second = track((0, 0.0), (450, 0.0), (480, 0.0))
    watch = SlipWatch(first, second, 1.0)
    first.hold(500)
    assert watch.look() == []
    first.append(np.array([465]), np.array([5.0]), known=np.array([490]), rests=True)
    append(second, (500, 0.0))
    assert [(slip.time, slip.distance) for slip in watch.look()] == [(465, 5.0)]
