"""Pieces of constant acceleration and their exact evaluation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_simulators.trajectory import Piece, Trajectory, ramp, travel


@given(
    distance=st.floats(0.01, 2000),
    limit=st.floats(1, 500),
    acceleration=st.floats(10, 5000),
)
def test_ramp_rest_to_rest_covers_distance_within_limit(
    distance: float, limit: float, acceleration: float
) -> None:
    """The pieces add up to the distance, end at rest and stay below the limit."""
    pieces = ramp(distance, speed_in=0, speed_out=0, limit=limit, acceleration=acceleration)
    displacement = sum(speed * time + rate * time**2 / 2 for time, speed, rate in pieces)
    assert displacement == pytest.approx(distance, rel=1e-9)
    time, speed, rate = pieces[-1]
    assert speed + rate * time == pytest.approx(0, abs=1e-6)
    assert all(max(v, v + a * t) <= limit * (1 + 1e-9) for t, v, a in pieces)


def test_ramp_known_trapezoid() -> None:
    """100 mm at 100 mm/s and 400 mm/s²: ramps of 0.25 s and 12.5 mm, 75 mm of cruise.

    By hand from v = a·t and s = a·t²/2.
    """
    pieces = ramp(100, speed_in=0, speed_out=0, limit=100, acceleration=400)
    assert pieces == [(0.25, 0, 400), (0.75, 100, 0.0), (0.25, 100, -400)]


def test_ramp_too_short_names_remedy() -> None:
    """A change of speed that does not fit is refused with what to change."""
    with pytest.raises(ValueError, match="give a longer run-out or a higher acceleration"):
        ramp(1, speed_in=100, speed_out=0, limit=100, acceleration=400)


def test_at_before_and_after_holds_ends() -> None:
    """Before its begin and after its end the probe rests."""
    move = travel(-50, Piece(0.0), limit=20, acceleration=100)
    displacement = Trajectory(scan=10, index=3, pieces=[Piece(1.0), *move])
    states = displacement.at([-5.0, 0.5, displacement.end_s, displacement.end_s + 100])
    assert states.scan == pytest.approx([10, 10, -40, -40])
    assert states.index.tolist() == [3, 3, 3, 3]
    assert states.scan_speed.tolist() == [0, 0, 0, 0]


def test_append_leaves_past_and_rests_until() -> None:
    """A move that is added later changes nothing before it, and starts no sooner than told."""
    displacement = Trajectory(
        scan=0, index=0, pieces=travel(10, Piece(0.0), limit=10, acceleration=100)
    )
    times = np.linspace(0, displacement.end_s + 2, 50)
    before = displacement.at(times)
    start = displacement.end_s + 2.5
    displacement.append(
        travel(5, Piece(0.0, axis="index", pass_number=1), limit=10, acceleration=100),
        not_before_s=start,
    )
    after = displacement.at(times)
    assert np.array_equal(before.scan, after.scan)
    later = displacement.at([start - 0.01, start + 0.01, displacement.end_s])
    assert later.pass_number.tolist() == [0, 1, 1]
    assert later.index == pytest.approx([0, 0.5 * 100 * 0.01**2, 5])


def test_append_after_a_rest_keeps_what_was_told_of_it() -> None:
    """A rest that is filled in later is on the line and as lifted as it was while it lasted."""
    displacement = Trajectory(
        scan=0, index=0, pieces=[Piece(1.0, line=3, lifted=True, pass_number=2)]
    )
    before = displacement.at([5.0])
    displacement.append([Piece(1.0)], not_before_s=10.0)
    after = displacement.at([5.0])
    for states in (before, after):
        assert (states.line[0], states.lifted[0], states.pass_number[0]) == (3, True, 2)


def test_cut_finishes_the_move_under_way() -> None:
    """A rest ends at once, a move first comes to rest; all that was to come after is gone."""
    move = travel(10, Piece(0.0), limit=10, acceleration=20)
    pieces = [Piece(1.0), *move, Piece(1.0), *move]
    resting = Trajectory(scan=0, index=0, pieces=pieces)
    resting.cut(0.25)
    assert resting.end_s == pytest.approx(0.25)
    assert resting.at([9.0]).scan == pytest.approx([0])
    moving = Trajectory(scan=0, index=0, pieces=pieces)
    # 10 mm with ramps of 0.5 s and 2.5 mm at both ends, and 0.5 s at 10 mm/s between.
    moving.cut(1.6)
    assert moving.end_s == pytest.approx(1 + 1.5)
    assert moving.at([9.0]).scan == pytest.approx([10])
    over = Trajectory(scan=0, index=0, pieces=pieces)
    over.cut(100.0)
    assert over.end_s == pytest.approx(1 + 1.5 + 1 + 1.5)
