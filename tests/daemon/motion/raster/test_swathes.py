"""Rasters of several probes, driven by a simulated carriage that the planner does not know."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.motion_model import (
    area,
    areas,
    carriage,
    carrying,
    distance_to_zone,
    rasters,
    times_passed,
    walk,
)
from swathe.arrays import Ints
from swathe.motion import (
    KeepOutZone,
    MotionError,
    MoveKind,
    Plan,
    RasterSettings,
    WorkArea,
    Zones,
    check_moves,
    plan_raster,
)
from swathe.station import Axis

SETTINGS: dict[str, Any] = {"footprint": 10.0, "reading_rate": 40.0, "reserve": 0.0}


def readings(plan: Plan, over: WorkArea) -> Ints:
    """Return how many scans pass the centre of each cell, shape (index, scan)."""
    return times_passed(plan.moves, over, along=0 if plan.along == "scan" else 1)


def left_out(plan: Plan, over: WorkArea) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Return the cells that the plan names as left out, shape (index, scan)."""
    found = np.zeros((over.index.cells, over.scan.cells), bool)
    along = 0 if plan.along == "scan" else 1
    axis, across = over.axes[along], over.axes[1 - along]
    for item in plan.left_out:
        row = int(across.cell(np.array([item.at]))[0])
        inside = (axis.centres > item.extent[0]) & (axis.centres < item.extent[1])
        if along == 0:
            found[row] |= inside
        else:
            found[:, row] |= inside
    return found


@given(over=areas(), wanted=rasters(), data=st.data())
def test_carriage_covers_what_it_can_and_hits_nothing(
    over: WorkArea, wanted: RasterSettings, data: st.DataObject
) -> None:
    """Each required cell is passed by a live probe or named; no probe and no body enters a zone."""
    places = st.tuples(
        st.sampled_from((-6.0, 0.0, 2.5, 9.0)), st.sampled_from((-4.0, 0.0, 2.0, 5.5))
    )
    over = carrying(
        over,
        carriage(
            *data.draw(st.lists(places, min_size=1, max_size=4)),
            body=data.draw(st.sampled_from((None, (-8.0, 12.0, -5.0, 7.0)))),
        ),
    )
    try:
        plan = plan_raster(over, wanted)
    except MotionError as error:
        assert "nothing of the plan can be reached" in str(error)  # noqa: PT017
        return
    check_moves(plan.moves, over.limits, over.zones, over.twist)
    left, right, down, up = over.carriage.box
    corners = [(x, y) for x in (left, right) for y in (down, up)]
    for move in plan.moves:
        for scan, index in walk(move)[::20]:
            for zone in over.zones.zones:
                # A zone that is smaller than the carriage may be between its corners: the middle, too.
                for x, y in [*corners, ((left + right) / 2, (down + up) / 2)]:
                    away = distance_to_zone(over, zone, scan + x, index + y)
                    assert away >= over.zones.clearance - 1e-9
    missing = (readings(plan, over) == 0) & ~left_out(plan, over)
    for row, column in np.argwhere(missing).tolist():
        place = (over.scan.centres[column], over.index.centres[row])
        assert min(distance_to_zone(over, zone, *place) for zone in over.zones.zones) <= 1e-6


@pytest.mark.parametrize(
    ("offsets", "passes"),
    [
        ([(0.0, 10.0 * k) for k in range(4)], 3),  # as dense as the rows: 11 rows in steps of four
        ([(-15.0 * (k % 2), 20.0 * k) for k in range(4)], 4),  # two rows apart, in two banks
        ([(0.0, 10.0 * k - 75.0) for k in range(16)], 1),
        ([(30.0, 0.0)], 11),  # one probe ahead of the datum
    ],
    ids=["dense", "sparse", "sixteen", "ahead"],
)
def test_each_cell_is_scanned_in_the_fewest_passes(
    offsets: list[tuple[float, float]], passes: int
) -> None:
    """Leading and trailing probes scan the whole length, so that the datum runs out further."""
    over = carrying(area(), carriage(*offsets))
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    assert (plan.pass_count, plan.fewest, plan.left_out) == (passes, True, ())
    assert (readings(plan, over) > 0).all()
    scans = [move for move in plan.moves if move.kind is MoveKind.SCAN]
    assert len(scans) == passes
    shift = [scan for scan, _ in offsets]
    # From border to border of the cells, and 50 mm to be at speed at either end.
    assert min(scans[0].start[0], scans[0].end[0]) == pytest.approx(-2.5 - max(shift) - 50)
    assert max(scans[0].start[0], scans[0].end[0]) == pytest.approx(1002.5 - min(shift) + 50)
    assert all(abs(a.end[0] - b.start[0]) <= 15 for a, b in pairwise(scans))  # to and fro


@pytest.mark.parametrize(("dead", "passes"), [(None, 4), (5, 6)])
def test_sixteen_probes_cover_a_wall_as_planned(dead: int | None, passes: int) -> None:
    """Sixty rows of 2 mm: four passes; with a dead probe, whose row the next pass covers, six."""
    wall = area()
    index = Axis(name="index", start=0, resolution=2, cells=60)
    wall = replace(wall, index=index, zones=Zones(scan=wall.scan, index=index))
    probes = carriage(*[(-9.0 * (k % 2), 2.0 * k) for k in range(16)])
    over = carrying(wall, probes if dead is None else probes.without(frozenset({dead})))
    plan = plan_raster(over, RasterSettings(**SETTINGS | {"footprint": 2.0}))
    assert (plan.pass_count, plan.left_out) == (passes, ())
    assert (readings(plan, over) > 0).all()


def test_strips_are_what_the_probes_scan() -> None:
    """The plan claims of each row what a probe passes, and of every required cell that it is passed."""
    over = carrying(area(), carriage((0.0, 0.0), (-20.0, 10.0), (0.0, 20.0)))
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    claimed = np.zeros((over.index.cells, over.scan.cells), np.int64)
    for stretch in plan.stretches:
        for strip in stretch.strips:
            centres = over.scan.centres
            claimed[strip.line] += (centres >= strip.low - 1e-6) & (centres <= strip.high + 1e-6)
            assert strip.at == over.index.centres[strip.line]
    assert (claimed > 0).all()
    assert ((claimed > 0) <= (readings(plan, over) > 0)).all()


def test_dead_probe_covers_nothing_and_still_hits_nothing() -> None:
    """Its rows are covered by its neighbours, and it keeps out of the zone as before."""
    zone = KeepOutZone("lug", (400, 600), (80, 100))
    alive = carriage(*[(0.0, 10.0 * k) for k in range(4)])
    over = carrying(area(zones=(zone,), clearance=3), alive.without(frozenset({3})))
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    for move in plan.moves:
        for scan, index in walk(move):
            assert distance_to_zone(over, zone, scan, index + 30) >= 3 - 1e-9
    assert {item.why for item in plan.left_out} == {
        "no probe gets there with the carriage 3 mm clear of excluded zone 'lug'"
    }
    # No live probe reaches the rows that only the dead one could next to the zone.
    named = left_out(plan, over)
    assert not ((readings(plan, over) == 0) & ~named)[:, over.scan.centres < 380].any()


def test_rows_next_to_a_zone_are_scanned_by_a_pass_at_its_side() -> None:
    """Where a pass over rows of the zone is cut short, another one scans the rows that it left."""
    zone = KeepOutZone("lug", (400, 600), (35, 45))
    over = carrying(area(zones=(zone,)), carriage(*[(0.0, 10.0 * k) for k in range(4)]))
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    seen = readings(plan, over) > 0
    middle = (over.scan.centres >= 400) & (over.scan.centres <= 600)
    assert seen[:, ~middle].all()
    assert [bool(seen[row, middle].all()) for row in range(11)] == [row != 4 for row in range(11)]
    assert plan.left_out == ()
    assert plan.pass_count == 4  # rows 0 to 3 in one; 4 to 7 and, in the middle, 5 to 8; 8 to 10


def test_ends_of_travel_leave_out_what_no_probe_reaches() -> None:
    """The machine's limits are its datum's: a probe behind the datum does not reach the far end."""
    over = carrying(area(), carriage((-150.0, 0.0), (-150.0, 10.0)))
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    assert {item.why for item in plan.left_out} == {
        "no probe gets there within the travel of the scan axis, -100 mm to 1100 mm"
    }
    assert ((readings(plan, over) > 0) | left_out(plan, over)).all()
    assert {item.extent for item in plan.left_out} == {(952.5, 1002.5)}


def test_passes_round_a_pipe_close_the_circle() -> None:
    """Thirty-six rows in nine passes, and along the circumference a turn is a turn for each probe."""
    over = carrying(area(wrapped=True, turns=0.6), carriage(*[(0.0, 10.0 * k) for k in range(4)]))
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    assert (plan.pass_count, plan.left_out) == (9, ())
    assert (readings(plan, over) > 0).all()
    around = replace(over, scan=over.scan, carriage=over.carriage)
    plan = plan_raster(around, RasterSettings(**SETTINGS | {"along": "index", "footprint": 5.0}))
    assert (readings(plan, around) > 0).all()
    # With 1.2 turns of travel a whole turn begins where it fits, and is not cut in two.
    assert len(plan.stretches) == plan.pass_count


def test_overlap_of_passes_is_scanned_twice() -> None:
    """One row in common lets two probes be compared on the same wall."""
    over = carrying(area(), carriage(*[(0.0, 10.0 * k) for k in range(4)]))
    plan = plan_raster(over, RasterSettings(**SETTINGS, pass_overlap=10.0))
    twice = np.flatnonzero((readings(plan, over) > 1).all(axis=1))
    assert twice.tolist() == [3, 6, 7, 8, 9]  # the last pass is not beyond the plan
    # The plan states the row that two passes have in common for both of them.
    assert [[strip.line for strip in one.strips] for one in plan.stretches[:2]] == [
        [0, 1, 2, 3],
        [3, 4, 5, 6],
    ]
    with pytest.raises(MotionError, match=r"must be less than the probes are wide \(got 40"):
        plan_raster(over, RasterSettings(**SETTINGS, pass_overlap=40.0))


def test_only_lines_that_are_left_are_covered() -> None:
    """After a crash the passes are planned for what is missing: two rows eight apart take two."""
    over = carrying(area(), carriage(*[(0.0, 10.0 * k) for k in range(4)]))
    plan = plan_raster(over, RasterSettings(**SETTINGS), only={1, 9})
    assert plan.pass_count == 2
    assert (readings(plan, over)[[1, 9]] > 0).all()
    assert plan_raster(over, RasterSettings(**SETTINGS), only={1, 4}).pass_count == 1


def test_carriage_without_a_live_probe_is_refused() -> None:
    """Nothing would be scanned."""
    over = carrying(area(), carriage((0.0, 0.0), (0.0, 10.0)).without(frozenset({0, 1})))
    with pytest.raises(MotionError, match="must have a live probe"):
        plan_raster(over, RasterSettings(**SETTINGS))
