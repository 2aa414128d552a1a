"""Return to gaps with several probes: live ones pass over what a dead one left, in few passes."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.motion_model import area, areas, carriage, carrying, gap, times_passed
from swathe.motion import (
    KeepOutZone,
    MoveKind,
    PassSettings,
    RasterSettings,
    Tour,
    WorkArea,
    check_moves,
    plan_raster,
    plan_tour,
)
from swathe.pipeline import GapCause, GapSnapshot, runs_of

PASSES = PassSettings(speed=100.0, settle=0.1)
WANTED: dict[str, Any] = {"footprint": 10.0, "reading_rate": 40.0, "reserve": 0.0}
DENSE = tuple((0.0, 10.0 * k) for k in range(4))


def passed(tour: Tour, over: WorkArea, along: int = 0) -> Any:
    """Return how often each cell is passed by a live probe on a tour."""
    return times_passed([move for visit in tour.moves for move in visit], over, along=along)


def scans(tour: Tour) -> int:
    """Return the number of scans of a tour."""
    return sum(move.kind is MoveKind.SCAN for visit in tour.moves for move in visit)


def gaps_of(missing: Any, over: WorkArea) -> list[GapSnapshot]:
    """Return each run of missing cells of a row as a gap."""
    found: list[GapSnapshot] = []
    for row in range(over.index.cells):
        for low, high in runs_of(np.flatnonzero(missing[row])):
            extent, lines = over.scan.edges(low, high), over.index.edges(row, row)
            found.append(gap(len(found), extent, lines, GapCause.NO_SIGNAL))
    return found


def fewest_by_trying(rows: list[int], offsets: list[int], reach: range) -> int:
    """Return the fewest positions of a carriage that cover rows, by trying all sets of positions."""
    covers = [{at + offset for offset in offsets} & set(rows) for at in reach]
    for count in range(1, len(rows) + 1):
        if any(set().union(*some) == set(rows) for some in combinations(covers, count)):
            return count
    raise AssertionError


@pytest.mark.parametrize(
    ("offsets", "dead"),
    [
        (list(range(4)), 2),
        (list(range(4)), 0),
        ([0, 2, 4, 6], 1),  # two rows apart: gaps of two passes are next to each other
        ([0, 2, 4, 6], 3),
        ([0, 1, 4, 5, 8, 9], 2),
    ],
)
def test_rows_of_a_dead_probe_are_covered_by_its_neighbours_in_the_fewest_passes(
    offsets: list[int], dead: int
) -> None:
    """A raster driven with all probes, one of which gave nothing: its rows are revisited."""
    over = carrying(area(), carriage(*[(-12.0 * (k % 2), 10.0 * k) for k in offsets]))
    plan = plan_raster(over, RasterSettings(**WANTED))
    hurt = carrying(over, over.carriage.without(frozenset({dead})))
    missing = times_passed(plan.moves, hurt, along=0) == 0
    rows = np.flatnonzero(missing.any(axis=1)).tolist()
    assert rows
    tour = plan_tour(gaps_of(missing, over), hurt, PASSES, begin=(0.0, 0.0))
    assert tour.out_of_reach == ()
    assert (passed(tour, hurt)[missing] > 0).all()
    # The travel of the datum: -20 mm to 120 mm.
    live = [k for number, k in enumerate(offsets) if number != dead]
    assert scans(tour) == fewest_by_trying(rows, live, range(-2, 13))


def test_gaps_within_the_carriage_share_a_pass_and_a_visit() -> None:
    """Two gaps two rows apart are one visit; one far along the scan axis is another."""
    over = carrying(area(), carriage(*DENSE))
    gaps = [
        gap(1, (100, 140), (15, 25)),
        gap(2, (120, 180), (35, 45)),
        gap(3, (800, 820), (15, 25)),
    ]
    tour = plan_tour(gaps, over, PASSES, begin=(0.0, 0.0))
    assert sorted(visit[0].gaps for visit in tour.passes) == [(1, 2), (3,)]
    assert scans(tour) == 2
    seen = passed(tour, over) > 0
    for one in gaps:
        rows = (over.index.centres >= one.index[0]) & (over.index.centres <= one.index[1])
        cells = (over.scan.centres >= one.scan[0]) & (over.scan.centres <= one.scan[1])
        assert seen[np.ix_(rows, cells)].all()
    alone = plan_tour(gaps, over, PassSettings(speed=100.0, join=False), begin=(0.0, 0.0))
    assert scans(alone) == 3


def test_gaps_of_other_passes_are_visits_of_their_own() -> None:
    """So that a budget ends between them."""
    over = carrying(area(), carriage(*DENSE))
    gaps = [gap(1, (0, 900), (-5, 5)), gap(2, (0, 900), (65, 75))]
    tour = plan_tour(gaps, over, PASSES, begin=(0.0, 0.0))
    assert sorted(visit[0].gaps for visit in tour.passes) == [(1,), (2,)]


def test_slower_tries_are_passes_of_their_own() -> None:
    """A gap that was tried is passed at its own speed, whatever is next to it."""
    over = carrying(area(), carriage(*DENSE))
    lost = GapCause.NO_SIGNAL
    gaps = [gap(1, (100, 140), (15, 25), lost), gap(2, (100, 140), (35, 45), lost)]
    tour = plan_tour(gaps, over, PASSES, begin=(0.0, 0.0), tries={2: 1})
    assert {visit[0].gaps: visit[0].speed for visit in tour.passes} == {(1,): 100.0, (2,): 60.0}


def test_row_that_only_the_dead_probe_reaches_is_out_of_reach() -> None:
    """With travel to 120 mm, probes 40 mm behind the datum do not get to the row at 100 mm."""
    over = carrying(
        area(), carriage((0.0, 0.0), (0.0, -40.0), (0.0, -50.0)).without(frozenset({0}))
    )
    gaps = [gap(1, (100, 140), (95, 105)), gap(2, (100, 140), (55, 65))]
    tour = plan_tour(gaps, over, PASSES, begin=(0.0, 0.0))
    assert tour.out_of_reach == (1,)
    assert tour.gaps == (2,)


@given(over=areas(), data=st.data())
def test_gaps_are_passed_or_out_of_reach(over: WorkArea, data: st.DataObject) -> None:
    """Of every gap that is visited some cell is passed; no move meets a zone or leaves the limits."""
    places = st.tuples(st.sampled_from((-6.0, 0.0, 2.5)), st.sampled_from((-4.0, 0.0, 2.0, 5.5)))
    probes = carriage(*data.draw(st.lists(places, min_size=2, max_size=4)))
    over = carrying(
        over, probes.without(frozenset(data.draw(st.sets(st.integers(0, 3), max_size=1))))
    )
    along = data.draw(st.sampled_from((0, 1)))
    gaps = []
    for number in range(data.draw(st.integers(1, 4))):
        column = data.draw(st.integers(0, over.scan.cells - 1))
        row = data.draw(st.integers(0, over.index.cells - 1))
        extent = over.scan.edges(
            column, min(column + data.draw(st.integers(0, 9)), over.scan.cells - 1)
        )
        lines = over.index.edges(row, min(row + data.draw(st.integers(0, 3)), over.index.cells - 1))
        gaps.append(gap(number, extent, lines))
    settings = PassSettings(speed=5.0, along="index" if along else "scan")
    begin = (over.reach.scan.low, max(over.reach.index.low, -1e3))
    if over.zones.met_by(begin, begin) is not None:
        return
    tour = plan_tour(gaps, over, settings, begin=begin)
    moves = [move for visit in tour.moves for move in visit]
    check_moves(moves, over.limits, over.zones, over.twist)
    assert set(tour.gaps) | set(tour.out_of_reach) == set(range(len(gaps)))
    assert len(tour.gaps) == len(set(tour.gaps))
    seen = passed(tour, over, along) > 0
    for number in set(tour.gaps) - set(tour.out_of_reach):
        one = gaps[number]
        rows = (over.index.centres > one.index[0]) & (over.index.centres < one.index[1])
        cells = (over.scan.centres > one.scan[0]) & (over.scan.centres < one.scan[1])
        assert seen[np.ix_(rows, cells)].any()


def test_gap_over_the_seam_of_a_pipe_is_passed() -> None:
    """Rows 35, 0 and 1 of a circumference, in one pass of four probes."""
    over = carrying(area(wrapped=True, turns=0.6), carriage(*DENSE))
    tour = plan_tour([gap(1, (100, 140), (345, 375))], over, PASSES, begin=(0.0, 0.0))
    assert scans(tour) == 1
    seen = passed(tour, over) > 0
    assert seen[[35, 0, 1], 20:29].all()


def test_gap_next_to_a_zone_is_passed_at_its_side() -> None:
    """The carriage does not go over the zone, though the probe that is nearest to the gap could."""
    zone = KeepOutZone("lug", (400, 600), (35, 45))
    over = carrying(area(zones=(zone,)), carriage(*DENSE))
    tour = plan_tour([gap(1, (450, 550), (45, 55))], over, PASSES, begin=(0.0, 0.0))
    assert scans(tour) == 1
    check_moves([m for visit in tour.moves for m in visit], over.limits, over.zones)
    assert (passed(tour, over) > 0)[5, 90:111].all()
