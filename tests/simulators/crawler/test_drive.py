"""Kinematics and judgement, without a port."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from simulators.crawler.driver import motion
from swathe_simulators.crawler.drive import (
    crosses,
    distance_to_edge,
    duration_of,
    first_seconds,
    length_of,
    straight,
    time_at,
)
from swathe_simulators.crawler.path_monitor import PathMonitor
from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.trajectory import Piece, Trajectory

MODEL = CommandedModel.model_validate(motion())


@pytest.mark.parametrize("displacement", [(100.0, 0.0), (0.0, -30.0), (60.0, 20.0), (-3.0, 0.5)])
def test_straight_keeps_its_line_and_both_axes_limits(displacement: tuple[float, float]) -> None:
    """Positions lie on the line, no axis is too fast or accelerates too hard, rest to rest."""
    pieces = straight(MODEL, displacement, Piece(0.0), speed=1000.0)
    trajectory = Trajectory(scan=0.0, index=0.0, pieces=pieces)
    time = np.linspace(0.0, trajectory.end_s, 400)
    states = trajectory.at(time)
    assert states.scan[-1] == pytest.approx(displacement[0])
    assert states.index[-1] == pytest.approx(displacement[1])
    np.testing.assert_allclose(
        states.scan * displacement[1], states.index * displacement[0], atol=1e-9
    )
    assert np.abs(states.scan_speed).max() <= 100.0 + 1e-9
    assert np.abs(states.index_speed).max() <= 40.0 + 1e-9
    assert np.abs(trajectory.table.scan_acceleration).max() <= 400.0 + 1e-9
    assert np.abs(trajectory.table.index_acceleration).max() <= 200.0 + 1e-9
    # The one that limits is used to the full in the middle of a long move.
    if math.hypot(*displacement) > 20:
        ratio = max(
            np.abs(states.scan_speed).max() / 100.0, np.abs(states.index_speed).max() / 40.0
        )
        assert ratio == pytest.approx(1.0, abs=1e-6)


def test_time_at_agrees_with_where_the_trajectory_is() -> None:
    """After the time for a way, that way has been made; at its ends, too."""
    pieces = straight(MODEL, (80.0, 0.0), Piece(0.0), speed=60.0)
    trajectory = Trajectory(scan=0.0, index=0.0, pieces=pieces)
    for displacement in (0.0, 1e-9, 3.0, 40.0, 79.0, 80.0):
        assert trajectory.at([time_at(pieces, displacement)]).scan[0] == pytest.approx(
            displacement, abs=1e-6
        )
    assert time_at(pieces, 81.0) == pytest.approx(duration_of(pieces))
    half = first_seconds(pieces, time_at(pieces, 40.0))
    assert length_of(half) == pytest.approx(40.0)


def test_way_to_edge_of_a_box() -> None:
    """The nearer edge counts; no edge ahead is infinitely far; one that is out already is at 0."""
    box = ((0.0, 10.0), (0.0, 4.0))
    assert distance_to_edge((2.0, 2.0), (1.0, 0.0), box) == 8.0
    assert distance_to_edge((2.0, 2.0), (0.6, 0.8), box) == pytest.approx(2.5)
    assert distance_to_edge((2.0, 2.0), (0.0, 0.0), box) == math.inf
    assert distance_to_edge((11.0, 2.0), (1.0, 0.0), box) == 0.0


def test_passes_agrees_with_dense_sampling() -> None:
    """Against many points along the way: none inside is missed, none is invented."""
    source = random.Random(3)
    shares = np.linspace(0.0, 1.0, 4001)
    hits = 0
    for _ in range(300):
        x0, y0, x1, y1 = (source.uniform(-10, 10) for _ in range(4))
        rectangle = ((-4.0, 3.0), (-2.0, 5.0))
        x, y = x0 + shares * (x1 - x0), y0 + shares * (y1 - y0)
        depth = np.min([x + 4.0, 3.0 - x, y + 2.0, 5.0 - y], axis=0).max()
        if abs(depth) < 0.02:
            continue  # it grazes an edge; sampling can't tell
        assert crosses((x0, y0), (x1, y1), rectangle) == (depth > 0)
        hits += depth > 0
    assert 50 < hits < 250


def test_watch_sees_a_corner_that_is_cut_between_two_looks() -> None:
    """A fast diagonal through the tip of a zone is seen, and told once."""
    model = CommandedModel.model_validate(
        motion(zones=[{"scan_mm": [50, 60], "index_mm": [-5, 10.5]}])
    )
    pieces = straight(model, (100.0, 20.0), Piece(0.0), speed=100.0)
    trajectory = Trajectory(scan=0.0, index=0.0, pieces=pieces)
    watch = PathMonitor(model, trajectory)
    assert watch.entered(0.1) == []
    assert len(watch.entered(trajectory.end_s)) == 1
    assert watch.entered(trajectory.end_s + 1) == []


def test_watch_counts_visits_of_a_line() -> None:
    """A revisit overlaps by more than half; a neighbouring line or a rest does not count."""
    watch = PathMonitor(MODEL, Trajectory(scan=0.0, index=0.0))
    assert watch.visits((0.0, 0.0), (100.0, 0.0), 1.0) == 0
    assert watch.visits((100.0, 8.0), (0.0, 8.0), 2.0) == 0
    assert watch.visits((30.0, 0.0), (60.0, 0.0), 3.0) == 1
    assert watch.visits((90.0, 0.0), (120.0, 0.0), 4.0) == 0
    assert watch.visits((30.0, 0.0), (30.0, 9.0), 5.0) == 0
    watch.forget_after(2.5)
    assert watch.visits((40.0, 0.0), (50.0, 0.0), 6.0) == 1


def test_break_off_keeps_what_was_and_tells_the_speed() -> None:
    """Before the cut nothing changes; the piece that comes back has the speed of that moment."""
    pieces = straight(MODEL, (100.0, 0.0), Piece(0.0), speed=50.0)
    whole = Trajectory(scan=0.0, index=0.0, pieces=pieces)
    cut = Trajectory(scan=0.0, index=0.0, pieces=pieces)
    going = cut.break_off(0.06)
    before = np.linspace(0.0, 0.06, 50)
    np.testing.assert_allclose(cut.at(before).scan, whole.at(before).scan)
    assert cut.end_s == pytest.approx(0.06)
    assert going.speed == pytest.approx(0.06 * 400.0)
    assert going.direction == (1.0, 0.0)
    resting = whole.break_off(whole.end_s + 1.0)
    assert resting.speed == 0.0
