"""Rasters: what they cover, what they keep out of, how long they take."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings

from daemon.motion_model import area, areas, distance_to_zone, rasters, walk
from swathe.motion import (
    AxisLimits,
    KeepOutZone,
    MotionError,
    MotionLimits,
    MoveKind,
    Pattern,
    Plan,
    RasterSettings,
    WorkArea,
    Zones,
    check_moves,
    plan_raster,
    scan_speed,
)
from swathe.motion.raster.plan import line_positions
from swathe.station import Axis

SETTINGS: dict[str, Any] = {"footprint": 12.0, "reading_rate": 40.0, "reserve": 0.0}
# 40 readings/s on cells of 5 mm are 200 mm/s, which takes 50 mm at 400 mm/s².
RUN = 50.0


def covered(plan: Plan, over: WorkArea) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Return which cells some scan passes the centre of, shape (index, scan)."""
    found = np.zeros((over.index.cells, over.scan.cells), bool)
    around = over.index.cells * over.index.resolution
    for move in plan.moves:
        if move.kind is not MoveKind.SCAN:
            continue
        low, high = np.minimum(move.start, move.end), np.maximum(move.start, move.end)
        if plan.along == "scan":
            row = int(over.index.cell(np.array([move.start[1]]))[0])
            centres = over.scan.centres
            found[row] |= (centres >= low[0] - 1e-6) & (centres <= high[0] + 1e-6)
        else:
            column = int(over.scan.cell(np.array([move.start[0]]))[0])
            centres = over.index.centres
            first = math.floor((low[1] - centres[-1]) / around)
            last = math.ceil((high[1] - centres[0]) / around)
            for turn in range(first, last + 1) if over.index.wrapped else (0,):
                at = centres + turn * around
                found[:, column] |= (at >= low[1] - 1e-6) & (at <= high[1] + 1e-6)
    return found


@settings(max_examples=40)
@given(over=areas(), wanted=rasters())
def test_plan_covers_what_can_be_reached_and_nothing_forbidden(
    over: WorkArea, wanted: RasterSettings
) -> None:
    """No move enters a zone or leaves the limits; each required cell is passed or told left out."""
    try:
        plan = plan_raster(over, wanted)
    except MotionError as error:
        assert "nothing of the plan can be reached" in str(error)  # noqa: PT017
        return
    check_moves(plan.moves, over.limits, over.zones, over.twist)
    for move in plan.moves:
        for place in walk(move):
            for zone in over.zones.zones:
                # Moves of both axes at once are straight here, in a box that is free anyhow.
                assert distance_to_zone(over, zone, *place) >= over.zones.clearance - 1e-9
            for position, limit in zip(place, over.limits.axes, strict=True):
                assert limit.low - 1e-6 <= position <= limit.high + 1e-6
            if over.twist is not None:
                assert abs(over.twist.turns_at(place[1])) <= over.twist.turns + 1e-9
    measured = covered(plan, over)
    left = np.zeros_like(measured)
    along_scan = plan.along == "scan"
    axis = over.scan if along_scan else over.index
    for item in plan.left_out:
        inside = (axis.centres > item.extent[0]) & (axis.centres < item.extent[1])
        if along_scan:
            left[over.index.cell(np.array([item.at]))[0]] |= inside
        else:
            left[inside, over.scan.cell(np.array([item.at]))[0]] = True
    for row, y in enumerate(over.index.centres.tolist()):
        for column, x in enumerate(over.scan.centres.tolist()):
            away = min((distance_to_zone(over, z, x, y) for z in over.zones.zones), default=9e9)
            if away <= 1e-6:
                continue  # excluded
            assert measured[row, column] or left[row, column], (x, y)
            if not any("no way" in item.why for item in plan.left_out):
                # Where ways lead everywhere, only the clearance is left out.
                assert measured[row, column] or away <= over.zones.clearance + 0.01, (x, y)


def test_each_cell_left_out_has_its_own_reason() -> None:
    """Behind a zone as wide as the part there is no way; close to it, it is the clearance."""
    scan = Axis(name="scan", start=0.0, resolution=2.5, cells=42)
    index = Axis(name="index", start=0.0, resolution=2.0, cells=3, wrapped=True)
    over = WorkArea(
        scan=scan,
        index=index,
        limits=MotionLimits(
            scan=AxisLimits(low=-1.25, high=103.75, speed=5.0, acceleration=20.0),
            index=AxisLimits(speed=5.0, acceleration=20.0),
        ),
        zones=Zones((KeepOutZone("band", (17.0, 97.0)),), clearance=3.0, scan=scan, index=index),
    )
    plan = plan_raster(over, RasterSettings(footprint=1.0, reading_rate=5.0))
    report = {(item.extent, item.why) for item in plan.left_out if item.line == 0}
    assert report == {
        ((13.75, 16.25), "within 3 mm of excluded zone 'band'"),
        ((96.25, 101.25), "within 3 mm of excluded zone 'band'"),
        ((101.25, 103.75), "no way leads there round the excluded zones"),
    }


@given(over=areas(), wanted=rasters())
def test_plan_is_the_same_each_time(over: WorkArea, wanted: RasterSettings) -> None:
    """Planning twice gives the same moves, or the same refusal."""
    plans: list[object] = []
    for _ in range(2):
        try:
            plans.append(plan_raster(over, wanted))
        except MotionError as error:
            plans.append(str(error))
    assert plans[0] == plans[1]


def test_speed_gives_each_cell_its_hits() -> None:
    """100 readings/s, 2 wanted in each cell of 5 mm, a tenth in reserve: 225 mm/s."""
    wanted = RasterSettings(footprint=10, reading_rate=100, hits_per_cell=2, reserve=0.1)
    assert scan_speed(wanted, 5.0, 1000.0) == pytest.approx(225.0)
    assert scan_speed(wanted, 5.0, 100.0) == 100.0


@pytest.mark.parametrize(
    ("footprint", "overlap", "apart"),
    [(30.0, 0.0, 10.0), (10.0, 0.0, 10.0), (10.0, 0.1, 5.0), (4.0, 0.5, 2.0)],
)
def test_lines_overlap_as_asked_and_meet_every_row(
    footprint: float, overlap: float, apart: float
) -> None:
    """Lines stand closer than a row only where the footprint asks for it."""
    axis = area().index
    lines = line_positions(
        axis, RasterSettings(footprint=footprint, overlap=overlap, reading_rate=1)
    )
    assert set(np.round(np.diff(lines), 9)) == {apart}
    assert set(axis.centres.tolist()) <= set(lines)


def test_time_and_distance_agree_with_a_count_by_hand() -> None:
    """Eleven lines of 1,005 mm with 50 mm before and after, ten steps of 10 mm."""
    plan = plan_raster(area(), RasterSettings(**SETTINGS))
    assert (plan.speed, plan.run, plan.unsteady) == (200.0, RUN, 0.0)
    assert plan.scan_distance == pytest.approx(11 * 1105)
    assert plan.distance == pytest.approx(11 * 1105 + 10 * 10)
    # A line: 1,105 / 200 + 200 / 400. A step of 10 mm stays below 50 mm/s: 2 * sqrt(10 / 100).
    assert plan.seconds == pytest.approx(11 * (1105 / 200 + 0.5) + 10 * 2 * math.sqrt(0.1))


def test_serpentine_turns_and_one_way_goes_back() -> None:
    """Serpentine lines alternate; lines of one way all rise."""
    for pattern, expected in ((Pattern.SERPENTINE, {1, -1}), (Pattern.ONE_WAY, {1})):
        plan = plan_raster(area(), RasterSettings(**SETTINGS, pattern=pattern))
        scans = [m for m in plan.moves if m.kind is MoveKind.SCAN]
        signs = [int(math.copysign(1, m.end[0] - m.start[0])) for m in scans]
        assert set(signs) == expected
        if pattern is Pattern.SERPENTINE:
            assert all(a != b for a, b in pairwise(signs))
        assert [m.line for m in scans] == list(range(11))


def test_run_in_without_room_is_told() -> None:
    """Where travel ends at the grid, the speed rises over the plan and that length is told."""
    over = area(zones=(KeepOutZone("stop", (-200, -2.5), None),))
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    assert plan.unsteady == pytest.approx(11 * RUN, abs=0.1)


def test_zone_is_passed_field_by_field() -> None:
    """Round an obstacle in the middle the probe goes a few times, not once a line."""
    over = area(zones=(KeepOutZone("manhole", (400, 600), (15, 75)),), clearance=8)
    plan = plan_raster(over, RasterSettings(**SETTINGS))
    scans = [m for m in plan.moves if m.kind is MoveKind.SCAN]
    assert len(scans) == 11 + 8  # with the clearance 7 to 83 mm: lines at 10 to 80 mm
    crossings = sum((a.end[0] < 500) != (b.start[0] < 500) for a, b in pairwise(scans))
    assert crossings <= 3
    assert {item.why for item in plan.left_out} == {"within 8 mm of excluded zone 'manhole'"}


def test_resumed_plan_has_only_the_lines_asked_for() -> None:
    """After a crash only what is left is driven, from where the probe is."""
    plan = plan_raster(area(), RasterSettings(**SETTINGS), only=range(7, 11), begin=(500.0, 0.0))
    assert {m.line for m in plan.moves} == {7, 8, 9, 10}
    assert plan.moves[0].start == (500.0, 0.0)


def test_around_a_pipe_winds_up_and_goes_back() -> None:
    """One way round and round a pipe: the cable winds up to its limit and goes back from it."""
    over = area(wrapped=True, turns=3.0)
    plan = plan_raster(
        over, RasterSettings(footprint=5, reading_rate=5, pattern=Pattern.ONE_WAY, along="index")
    )
    assert over.twist is not None
    turns = [over.twist.turns_at(place[1]) for m in plan.moves for place in (m.start, m.end)]
    assert 2.0 < max(turns) <= 3.0
    assert min(turns) >= -3.0
    back = [m for m in plan.moves if m.kind is MoveKind.TRANSFER and m.end[1] < m.start[1] - 300]
    assert back, "the cable is never unwound"
    assert not plan.left_out


def test_half_a_turn_to_either_side_reaches_all_round() -> None:
    """With ±0.5 turns each line round the pipe is cut where the cable is at its limit."""
    over = area(wrapped=True, turns=0.5)
    plan = plan_raster(over, RasterSettings(footprint=5, reading_rate=5, along="index"))
    assert not plan.left_out
    check_moves(plan.moves, over.limits, over.zones, over.twist)


def test_plan_without_a_reachable_cell_says_why() -> None:
    """A zone over everything is no plan, and the text says what to look at."""
    over = area(zones=(KeepOutZone("tank", (-200, 1200), (0, 96)),), clearance=5)
    with pytest.raises(MotionError, match=r"within 5 mm of excluded zone 'tank'.*check the zones"):
        plan_raster(over, RasterSettings(**SETTINGS))


def test_band_across_the_plate_leaves_the_far_side_out() -> None:
    """A band from edge to edge cannot be passed: what lies beyond is told before starting."""
    over = area(zones=(KeepOutZone("flange", (500, 520), None),))
    plan = plan_raster(over, RasterSettings(**SETTINGS), begin=(0.0, 0.0))
    assert {item.why for item in plan.left_out} == {"no way leads there round the excluded zones"}
    assert all(place[0] < 500 for m in plan.moves for place in (m.start, m.end))
    assert sum(item.extent[1] - item.extent[0] for item in plan.left_out) == 11 * (1002.5 - 522.5)


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("footprint", 0.0, "'raster.footprint' must be > 0 (got 0.0)"),
        ("overlap", 1.0, "'raster.overlap' must be >= 0 and < 1 (got 1.0)"),
        ("speed", math.inf, "'raster.speed' must be > 0 (got inf)"),
        ("settle", -1.0, "'raster.settle' must be >= 0 s (got -1.0)"),
    ],
)
def test_impossible_raster_is_refused(key: str, value: float, text: str) -> None:
    """A setting that cannot be is told by name, with what was given."""
    with pytest.raises(MotionError) as caught:
        RasterSettings(**{**SETTINGS, key: value})
    assert caught.value.requirement == text
