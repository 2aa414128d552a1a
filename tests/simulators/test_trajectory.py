"""Pieces of constant acceleration and their exact evaluation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swathe_simulators.trajectory import Piece, Trajectory, ramp, travel


@settings(deadline=None)
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
    way = sum(speed * time + rate * time**2 / 2 for time, speed, rate in pieces)
    assert way == pytest.approx(distance, rel=1e-9)
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
    way = Trajectory(scan=10, index=3, pieces=[Piece(1.0), *move])
    states = way.at([-5.0, 0.5, way.end_s, way.end_s + 100])
    assert states.scan == pytest.approx([10, 10, -40, -40])
    assert states.index.tolist() == [3, 3, 3, 3]
    assert states.scan_speed.tolist() == [0, 0, 0, 0]


def test_append_leaves_past_and_rests_until() -> None:
    """A move that is added later changes nothing before it, and starts no sooner than told."""
    way = Trajectory(scan=0, index=0, pieces=travel(10, Piece(0.0), limit=10, acceleration=100))
    times = np.linspace(0, way.end_s + 2, 50)
    before = way.at(times)
    start = way.end_s + 2.5
    way.append(
        travel(5, Piece(0.0, axis="index", pass_number=1), limit=10, acceleration=100),
        not_before_s=start,
    )
    after = way.at(times)
    assert np.array_equal(before.scan, after.scan)
    later = way.at([start - 0.01, start + 0.01, way.end_s])
    assert later.pass_number.tolist() == [0, 1, 1]
    assert later.index == pytest.approx([0, 0.5 * 100 * 0.01**2, 5])
