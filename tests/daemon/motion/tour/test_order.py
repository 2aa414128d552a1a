"""Tours: each gap once, in either direction, and short."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daemon.motion_model import area, areas, distance_to_zone, gap, walk
from swathe.motion import (
    AxisLimits,
    KeepOutZone,
    Metric,
    MotionError,
    MotionLimits,
    Move,
    MoveKind,
    PassSettings,
    Visits,
    WorkArea,
    check_moves,
    order_visits,
    plan_tour,
    tour_seconds,
)
from swathe.motion.tour.exact import best_order, best_ways
from swathe.motion.tour.order import EXACT_UP_TO
from swathe.pipeline import GapCause, GapSnapshot

BEGIN = (0.0, 0.0)
SLOW = PassSettings(speed=100, settle=0.1)
# 100 mm/s at 400 mm/s² takes 12.5 mm, and a tenth of a second at it 10 mm more.
RAMP, RUN_UP = 12.5, 22.5

LIMITS = MotionLimits(
    scan=AxisLimits(speed=200, acceleration=500), index=AxisLimits(speed=50, acceleration=200)
)


def random_visits(count: int, seed: int) -> Visits:
    """Return visits of one line or of two, of which some must be taken in one direction."""
    chance = np.random.default_rng((count, seed))
    low = chance.uniform((0, 0), (3000, 500), (count, 2))
    high = low + np.column_stack((chance.uniform(20, 300, count), np.zeros(count)))
    entry = np.stack((low, high, high, low), axis=1)
    two = chance.random(count) < 0.3
    down = np.array([0.0, 5.0])
    entry[two, 1] = low[two] + down
    entry[two, 3] = high[two] + down
    own = np.repeat(chance.uniform(0.5, 2, count)[:, None], 4, axis=1)
    forced = chance.random(count) < 0.2
    own[forced, 1] += 1e6
    own[forced & ~two, 2] += 1e6
    return Visits(entry, own)


def by_trying(visits: Visits, metric: Metric, home: tuple[float, float] | None) -> float:
    """Return the seconds of the best of all tours."""
    return min(
        tour_seconds(
            [4 * v + w for v, w in zip(order, ways, strict=True)],
            visits,
            metric,
            begin=BEGIN,
            home=home,
        )
        for order in itertools.permutations(range(visits.count))
        for ways in itertools.product(range(4), repeat=visits.count)
    )


@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("home", [None, (1500.0, 250.0)])
@pytest.mark.parametrize("count", [0, 1, 2, 4])
def test_few_visits_have_the_best_tour(
    count: int, home: tuple[float, float] | None, together: bool
) -> None:
    """The dynamic programme finds what trying all orders and ways finds."""
    visits, metric = random_visits(count, 1), Metric(LIMITS, together)
    order = order_visits(visits, metric, begin=BEGIN, home=home)
    mine = tour_seconds(order, visits, metric, begin=BEGIN, home=home)
    if count:
        assert mine == pytest.approx(by_trying(visits, metric, home))
    else:
        assert order == []


@pytest.mark.slow
@settings(max_examples=12)
@given(
    count=st.integers(1, 24), seed=st.integers(0, 999), together=st.booleans(), goes=st.booleans()
)
def test_every_visit_is_made_once(count: int, seed: int, together: bool, goes: bool) -> None:
    """No visit is left out or made twice, and forced directions are kept."""
    visits, metric = random_visits(count, seed), Metric(LIMITS, together)
    home = (0.0, 500.0) if goes else None
    order = order_visits(visits, metric, begin=BEGIN, home=home)
    assert Counter(code // 4 for code in order) == Counter(range(count))
    assert all(visits.own.reshape(-1)[code] < 1e6 for code in order)
    assert order == order_visits(visits, metric, begin=BEGIN, home=home)


@pytest.mark.slow
@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_searched_tour_is_nearly_the_best(seed: int, together: bool) -> None:
    """One visit more than the exact method is used for costs at most a tenth more than the best."""
    count = EXACT_UP_TO + 1
    visits, metric = random_visits(count, seed), Metric(LIMITS, together)
    mine = tour_seconds(order_visits(visits, metric, begin=BEGIN), visits, metric, begin=BEGIN)
    exact = best_order(visits, metric, np.array(BEGIN), None)
    best = tour_seconds(exact, visits, metric, begin=BEGIN)
    own = visits.own.min(axis=1).sum()
    assert best <= mine + 1e-9
    assert mine - own <= 1.10 * (best - own)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_searched_tour_of_many_beats_the_nearest_first(seed: int) -> None:
    """300 visits: always going to the nearest end takes longer by a tenth at least."""
    visits, metric = random_visits(300, seed), Metric(LIMITS, True)
    mine = tour_seconds(order_visits(visits, metric, begin=BEGIN), visits, metric, begin=BEGIN)
    at, todo, order = np.array(BEGIN), set(range(300)), []
    flat, own = visits.entry.reshape(-1, 2), visits.own.reshape(-1)
    while todo:
        codes = np.array([4 * v + w for v in sorted(todo) for w in range(4)])
        code = int(codes[np.argmin(metric.between(at, flat[codes]) + own[codes])])
        order.append(code)
        todo.remove(code // 4)
        at = flat[code ^ 1]
    assert 1.1 * mine < tour_seconds(order, visits, metric, begin=BEGIN)


def test_best_ways_keep_the_order() -> None:
    """For a given order the ways are the best of all ways."""
    visits, metric = random_visits(5, 7), Metric(LIMITS, False)
    start = np.array(BEGIN)
    order = [12, 0, 16, 4, 8]
    found = best_ways(order, visits, metric, start, None)
    assert [code // 4 for code in found] == [3, 0, 4, 1, 2]
    best = min(
        tour_seconds(
            [4 * (c // 4) + w for c, w in zip(order, ways, strict=True)],
            visits,
            metric,
            begin=BEGIN,
        )
        for ways in itertools.product(range(4), repeat=5)
    )
    assert tour_seconds(found, visits, metric, begin=BEGIN) == pytest.approx(best)


@given(places=st.lists(st.floats(-2000, 2000), min_size=4, max_size=4), together=st.booleans())
def test_metric_is_of_the_shorter_way_round_a_pipe(places: list[float], together: bool) -> None:
    """Seconds are the same there and back, and a turn further on is the same position."""
    metric = Metric(LIMITS, together, (None, 600.0))
    one, other = np.array(places[:2]), np.array(places[2:])
    seconds = float(metric.between(one, other))
    assert seconds == pytest.approx(float(metric.between(other, one)))
    assert metric.function()(*places) == pytest.approx(seconds, abs=1e-12)
    turned: NDArray[np.float64] = other + np.array([0.0, 600.0])
    assert float(metric.between(one, turned)) == pytest.approx(seconds, abs=1e-6)
    assert seconds <= float(Metric(LIMITS, together).between(one, other)) + 1e-9


# Of a few picometres the plan's rounding of places is more than the move.
LENGTHS = st.floats(0, 500).map(lambda mm: mm if mm > 1e-3 else 0.0)


@given(scan=LENGTHS, index=LENGTHS, together=st.booleans())
def test_metric_is_the_time_of_the_moves(scan: float, index: float, together: bool) -> None:
    """The array form agrees with the time of moves from rest to rest, at once or in turn."""
    metric = Metric(LIMITS, together)
    seconds = float(metric.between(np.zeros(2), np.array([scan, index])))
    assert metric.function()(0.0, 0.0, scan, index) == pytest.approx(seconds, abs=1e-12)
    legs = [((0.0, 0.0), (scan, index))]
    if not together:
        legs = [((0.0, 0.0), (scan, 0.0)), ((scan, 0.0), (scan, index))]
    moves = [Move(MoveKind.TRANSFER, a, b, *LIMITS.path(a, b), 0) for a, b in legs]
    assert seconds == pytest.approx(sum(move.seconds for move in moves), abs=1e-6)


def test_pass_has_its_run_up_and_run_out() -> None:
    """A pass begins its run-up before the gap and ends it after."""
    tour = plan_tour([gap(1, (300, 340), (15, 25))], area(), SLOW, begin=BEGIN)
    ((single,),) = tour.passes
    assert (single.gaps, single.line, single.at) == ((1,), 2, 20.0)
    assert (single.start, single.end) == (300 - RUN_UP, 340 + RUN_UP)
    assert single.steady
    assert single.rising
    assert single.run_up == RUN_UP
    assert tour.end == tour.moves[0][-1].end == (340 + RUN_UP, 20.0)
    assert tour.seconds == pytest.approx(sum(move.seconds for move in tour.moves[0]))


def test_approach_is_from_where_there_is_room() -> None:
    """Beside a zone the pass runs towards it: its run-out fits there, a run-up would not."""
    zone = KeepOutZone("stub", (200, 300 - RAMP - 1), (0, 100))
    tour = plan_tour([gap(1, (300, 340), (15, 25))], area(zones=(zone,)), SLOW, begin=(310.0, 0.0))
    ((single,),) = tour.passes
    assert not single.rising
    assert single.steady
    assert single.start == 340 + RUN_UP


def test_gap_of_several_lines_is_driven_to_and_fro() -> None:
    """Three lines of one gap follow each other, each in the other direction."""
    tour = plan_tour([gap(4, (300, 340), (15, 45))], area(), SLOW, begin=BEGIN)
    assert [(p.line, p.rising) for p in tour.passes[0]] == [(2, True), (3, False), (4, True)]


def test_neighbours_on_a_line_are_one_visit() -> None:
    """Gaps whose run-ups overlap are passed in one go; far ones and slower ones are not."""
    gaps = [
        gap(1, (300, 310), (15, 25)),
        gap(2, (330, 340), (15, 25)),
        gap(3, (345, 350), (15, 25), GapCause.NO_SIGNAL),
        gap(4, (600, 610), (15, 25)),
    ]
    tour = plan_tour(gaps, area(), SLOW, begin=BEGIN, tries={3: 1})
    assert sorted(visit[0].gaps for visit in tour.passes) == [(1, 2), (3,), (4,)]
    apart = PassSettings(speed=100, settle=0.1, join=False)
    assert len(plan_tour(gaps, area(), apart, begin=BEGIN).passes) == 4


@pytest.mark.parametrize(
    ("cause", "tries", "speed"),
    [
        (GapCause.NO_SIGNAL, 0, 100.0),
        (GapCause.NO_SIGNAL, 2, 36.0),
        (GapCause.NO_SIGNAL, 9, 1.0077696),
        (GapCause.NO_SIGNAL, 20, 1.0),
        (GapCause.TOO_FAST, 1, 60.0),
        (GapCause.UNVISITED, 2, 100.0),
    ],
)
def test_coupling_faults_are_tried_slower(cause: GapCause, tries: int, speed: float) -> None:
    """Each further try at a lost echo is slower; a place where nobody was needs no care."""
    tour = plan_tour(
        [gap(1, (300, 340), (15, 25), cause)], area(), SLOW, begin=BEGIN, tries={1: tries}
    )
    assert tour.passes[0][0].speed == pytest.approx(speed)


def test_gap_over_the_seam_of_a_pipe_is_one_visit() -> None:
    """A gap from the last line to the first of a pipe is not driven round the pipe."""
    over = area(wrapped=True, turns=1.5)
    tour = plan_tour([gap(1, (300, 340), (335, 375))], over, SLOW, begin=(300.0, 350.0))
    assert [p.line for p in tour.passes[0]] in ([34, 35, 0, 1], [1, 0, 35, 34])
    assert all(abs(a.end[1] - a.start[1]) < 50 for a in tour.moves[0])


def test_gap_that_cannot_be_reached_is_named() -> None:
    """A gap within the clearance of a zone is out of reach, the others are visited."""
    over = area(zones=(KeepOutZone("stub", (290, 350), (0, 100)),), clearance=3)
    gaps = [gap(1, (300, 340), (15, 25)), gap(2, (600, 640), (15, 25))]
    tour = plan_tour(gaps, over, SLOW, begin=BEGIN)
    assert (tour.out_of_reach, tour.gaps) == ((1,), (2,))


@given(over=areas(), data=st.data())
def test_going_back_keeps_limits_and_zones(over: WorkArea, data: st.DataObject) -> None:
    """Each gap is visited once or told out of reach; no move breaks a limit or meets a zone."""
    gaps: list[GapSnapshot] = []
    for number in range(data.draw(st.integers(1, 12))):
        extents = []
        for axis in (over.scan, over.index):
            first = data.draw(st.integers(0, axis.cells - 1))
            most = axis.cells - 1 + (first if axis.wrapped else 0)
            extents.append(axis.edges(first, min(first + data.draw(st.integers(0, 9)), most)))
        cause = data.draw(st.sampled_from(GapCause))
        gaps.append(gap(number + 1, extents[0], extents[1], cause))
    speed = min(20.0, over.limits.scan.speed)
    begin = (over.limits.scan.low, over.index.start)
    along = data.draw(st.sampled_from(("scan", "index")))
    wanted = PassSettings(speed=speed, along=along)  # type: ignore[arg-type]
    tour = plan_tour(gaps, over, wanted, begin=begin)
    visited = Counter(tour.gaps)
    assert set(visited.values()) <= {1}
    assert set(visited) | set(tour.out_of_reach) == {g.number for g in gaps}
    if any(distance_to_zone(over, z, *begin) <= over.zones.clearance for z in over.zones.zones):
        return  # where the probe is, it should never have come
    moves = [move for visit in tour.moves for move in visit]
    check_moves(moves, over.limits, over.zones, over.twist, begin=begin)
    for move in moves:
        for place in walk(move):
            for zone in over.zones.zones:
                assert distance_to_zone(over, zone, *place) >= over.zones.clearance - 1e-9
            if over.twist is not None:
                assert abs(over.twist.turns_at(place[1])) <= over.twist.turns + 1e-9
    for visit in tour.passes:
        for single in visit:
            low, high = sorted((single.start, single.end))
            assert low <= single.over[0] <= single.over[1] <= high


@pytest.mark.parametrize(
    ("key", "value"),
    [("speed", 0.0), ("slower", 1.5), ("min_speed", 200.0), ("settle", math.nan)],
)
def test_impossible_pass_settings_are_refused(key: str, value: float) -> None:
    """A setting that cannot be is told by name."""
    parts = {"speed": 100.0, key: value}
    with pytest.raises(MotionError, match=f"'go_back.{key}' must be"):
        PassSettings(**parts)  # type: ignore[arg-type]
