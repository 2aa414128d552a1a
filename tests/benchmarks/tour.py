"""How short the tours over gaps are, and how long planning them takes.

Gaps lie at random over a penstock of 6 m by 200 lines, evenly or in patches. A tour's cost is the
time between passes only: counting the passes themselves, which every tour has, would flatter it.

* Up to 9 gaps it is compared with the best of all orders and directions, tried out one by one up to
  5 gaps and by a dynamic programme written apart from ours above.
* Beyond that it is compared with the best that solvers from PyPI find. A pass is then a pair of
  places with a step between them that must be taken; both solvers are asked for if installed, by
  name: ``ortools`` (Apache licence) with guided local search, and ``elkai`` (K. Helsgaun's LKH;
  read its terms: LKH is free for non-commercial use only). Neither is needed by Swathe.

The metric is written here once more, from the closed form of a trapezoid of speed.

Run ``python tests/benchmarks/tour.py [--quick]``; it ends with exit code 1 if a tour is more than
1.10 times the best known, or planning 2,000 gaps takes 2 s of processor time or more.
"""

from __future__ import annotations

import importlib.util
import itertools
import math
import sys
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.motion import (
    AxisLimits,
    MotionLimits,
    PassSettings,
    Visits,
    WorkArea,
    Zones,
    order_visits,
    plan_tour,
)
from swathe.pipeline import GapCause, GapSnapshot
from swathe.station import Axis

__all__ = ["main"]

MOST_RATIO, MOST_SECONDS = 1.10, 2.0
SCAN_SPEED, SCAN_RATE, INDEX_SPEED, INDEX_RATE = 200.0, 500.0, 50.0, 200.0
LINES, LINE_MM, LENGTH_MM = 200, 5.0, 6000.0

Floats = NDArray[np.float64]


def area(*, together: bool) -> WorkArea:
    """Return the penstock and a crawler."""
    scan = Axis(name="scan", start=0, resolution=1, cells=int(LENGTH_MM) + 1)
    index = Axis(name="index", start=0, resolution=LINE_MM, cells=LINES)
    limits = MotionLimits(
        scan=AxisLimits(low=-200, high=LENGTH_MM + 200, speed=SCAN_SPEED, acceleration=SCAN_RATE),
        index=AxisLimits(low=-10, high=1010, speed=INDEX_SPEED, acceleration=INDEX_RATE),
    )
    zones = Zones(scan=scan, index=index)
    return WorkArea(scan=scan, index=index, limits=limits, zones=zones, together=together)


def passes(count: int, seed: int, *, patches: bool) -> Floats:
    """Return lower end, higher end and line of random passes, mm, shape (count, 3)."""
    chance = np.random.default_rng((count, seed, patches))
    if patches:
        middle = chance.uniform((0, 0), (LENGTH_MM, LINES), (max(1, count // 25), 2))
        place = middle[chance.integers(0, len(middle), count)]
        place = place + chance.normal(0, (150, 6), (count, 2))
    else:
        place = chance.uniform((0, 0), (LENGTH_MM, LINES), (count, 2))
    length = 80 + chance.exponential(40, count)
    low = np.clip(place[:, 0], 0, LENGTH_MM - 400)
    line = np.clip(np.round(place[:, 1]), 0, LINES - 1) * LINE_MM
    return np.column_stack((low, low + length, line))


def seconds_between(a: Floats, b: Floats, *, together: bool) -> Floats:
    """Return the time from places to places, shapes (..., 2) that broadcast."""
    dx, dy = np.abs(a[..., 0] - b[..., 0]), np.abs(a[..., 1] - b[..., 1])
    if together:
        # Along the straight way: its speed and rate are bounded by the axis that has more to do.
        way = np.hypot(dx, dy)
        with np.errstate(invalid="ignore", divide="ignore"):
            speed = way / np.maximum(dx / SCAN_SPEED, dy / INDEX_SPEED)
            rate = way / np.maximum(dx / SCAN_RATE, dy / INDEX_RATE)
            found = _trapezoid(way, speed, rate)
        return np.where(way > 0, found, 0.0)
    return _trapezoid(dx, SCAN_SPEED, SCAN_RATE) + _trapezoid(dy, INDEX_SPEED, INDEX_RATE)


def _trapezoid(way: Floats, speed: Any, rate: Any) -> Floats:
    reached = way >= speed**2 / rate
    return np.asarray(np.where(reached, way / speed + speed / rate, 2 * np.sqrt(way / rate)))


def visits_of(place: Floats) -> Visits:
    """Return the passes as the planner takes them."""
    low, high = place[:, [0, 2]], place[:, [1, 2]]
    entry = np.stack((low, high, high, low), axis=1)
    own = np.repeat(((place[:, 1] - place[:, 0]) / SCAN_SPEED)[:, None], 4, axis=1)
    return Visits(entry, own)


def cost_of(tour: list[tuple[int, int]], place: Floats, *, together: bool) -> float:
    """Return the seconds between the passes of a tour of (pass, 1 if from the higher end)."""
    at, total = np.zeros(2), 0.0
    for number, turned in tour:
        ends = place[number, [0, 2]], place[number, [1, 2]]
        total += float(seconds_between(at, ends[turned], together=together))
        at = ends[1 - turned]
    return total


def ours(place: Floats, *, together: bool) -> tuple[float, float]:
    """Return the seconds of our tour and the processor seconds of planning it."""
    metric = area(together=together).metric
    visits = visits_of(place)
    begin = time.process_time()
    order = order_visits(visits, metric, begin=(0.0, 0.0))
    took = time.process_time() - begin
    tour = [(code // 4, int(code % 4 in (1, 2))) for code in order]
    assert sorted(number for number, _ in tour) == list(range(len(place)))
    return cost_of(tour, place, together=together), took


def tried_out(place: Floats, *, together: bool) -> float:
    """Return the seconds of the best of all tours, each of them driven on paper."""
    count = len(place)
    return min(
        cost_of(list(zip(order, turns, strict=True)), place, together=together)
        for order in itertools.permutations(range(count))
        for turns in itertools.product((0, 1), repeat=count)
    )


def exact(place: Floats, *, together: bool) -> float:
    """Return the seconds of the best tour: what is left to do, by where the probe is."""
    count = len(place)
    ends = place[:, [[0, 2], [1, 2]]]
    step = seconds_between(ends[:, ::-1, None, None], ends[None, None], together=together).tolist()
    known: dict[tuple[int, int, int], float] = {}

    def rest(number: int, turned: int, todo: int) -> float:
        if todo == 0:
            return 0.0
        key = (number, turned, todo)
        if key not in known:
            known[key] = min(
                step[number][turned][to][way] + rest(to, way, todo & ~(1 << to))
                for to in range(count)
                if todo >> to & 1
                for way in (0, 1)
            )
        return known[key]

    everything = (1 << count) - 1
    first = seconds_between(np.zeros(2), ends, together=together)
    return min(
        float(first[to, way]) + rest(to, way, everything & ~(1 << to))
        for to in range(count)
        for way in (0, 1)
    )


def doubled(place: Floats, *, together: bool) -> NDArray[np.int64]:
    """Return times in µs between all places: the begin and its twin, then both ends of each pass.

    The twin of the begin may be left for anywhere at no cost, so that the tour need not close.
    """
    points = np.zeros((2 * len(place) + 2, 2))
    points[2::2], points[3::2] = place[:, [0, 2]], place[:, [1, 2]]
    times = seconds_between(points[:, None], points[None], together=together)
    times[1, :] = times[:, 1] = 0.0
    return np.round(times * 1e6).astype(np.int64)


def read_pairs(nodes: list[int], count: int) -> list[tuple[int, int]]:
    """Return the tour that a closed tour over `doubled` places stands for."""
    assert sorted(nodes) == list(range(2 * count + 2))
    start = nodes.index(0)
    nodes = nodes[start:] + nodes[:start]
    if nodes[1] == 1:
        nodes = [nodes[0], *nodes[1:][::-1]]
    assert nodes[-1] == 1, "the begin was parted from its twin"
    tour = []
    for first, second in zip(nodes[1:-1:2], nodes[2:-1:2], strict=True):
        assert first // 2 == second // 2, "a pass was torn apart"
        tour.append((first // 2 - 1, first % 2))
    return tour


def by_elkai(place: Floats, *, together: bool) -> float:
    """Return the seconds of the tour that LKH finds."""
    import elkai  # type: ignore[import-not-found,import-untyped,unused-ignore]

    times = doubled(place, together=together) // 100  # its numbers are of 32 bits
    far = int(times.max()) + 1
    times = times + far
    pair = np.arange(0, len(times), 2)
    times[pair, pair + 1] = times[pair + 1, pair] = 0
    np.fill_diagonal(times, 0)
    runs = 10 if len(place) <= 100 else 1  # of which the best is taken
    nodes = elkai.DistanceMatrix(times.tolist()).solve_tsp(runs=runs)[:-1]
    return cost_of(read_pairs(nodes, len(place)), place, together=together)


def by_ortools(place: Floats, *, together: bool, limit_s: int) -> float:
    """Return the seconds of the tour that guided local search finds in the time given."""
    from ortools.constraint_solver import (  # type: ignore[import-not-found,import-untyped,unused-ignore]
        pywrapcp,
        routing_enums_pb2,
    )

    times = doubled(place, together=together)
    far = int(times.max()) * 4
    times = times + far
    pair = np.arange(0, len(times), 2)
    times[pair, pair + 1] = times[pair + 1, pair] = 0
    manager = pywrapcp.RoutingIndexManager(len(times), 1, 0)
    model = pywrapcp.RoutingModel(manager)
    model.SetArcCostEvaluatorOfAllVehicles(model.RegisterTransitMatrix(times.tolist()))
    settings = pywrapcp.DefaultRoutingSearchParameters()
    settings.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.SAVINGS
    settings.local_search_metaheuristic = (
        routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    )
    settings.time_limit.seconds = limit_s
    found = model.SolveWithParameters(settings)
    nodes, at = [], model.Start(0)
    while not model.IsEnd(at):
        nodes.append(manager.IndexToNode(at))
        at = found.Value(model.NextVar(at))
    return cost_of(read_pairs(nodes, len(place)), place, together=together)


def whole_plan() -> float:
    """Return the processor seconds to plan 2,000 gaps from their notes to every move."""
    gaps = [
        GapSnapshot(
            number=k + 1, status="open", cause=GapCause.NO_SIGNAL, causes={}, cells=1, area=1.0,
            scan=(low, high), index=(line - LINE_MM / 2, line + LINE_MM / 2),
            opened=0, closed=None, end=None, merged_into=None,
        )
        for k, (low, high, line) in enumerate(passes(2000, 0, patches=False).tolist())
    ]  # fmt: skip
    settings = PassSettings(speed=100.0, settle=0.1)
    begin = time.process_time()
    tour = plan_tour(gaps, area(together=False), settings, begin=(0.0, 0.0))
    took = time.process_time() - begin
    assert sorted(tour.gaps) == list(range(1, 2001))
    return took


def sizes(*, quick: bool) -> Iterator[tuple[int, int]]:
    """Yield numbers of gaps and how many random cases of each."""
    yield from ((2, 3), (5, 3), (7, 4), (9, 4))
    yield from ((12, 5), (15, 6), (30, 4), (100, 2))
    if not quick:
        yield from ((300, 1), (1000, 1), (2000, 1))


def main() -> int:
    """Print the figures; return 1 if one misses its target."""
    quick = "--quick" in sys.argv
    solvers = [name for name in ("elkai", "ortools") if importlib.util.find_spec(name)]
    print(f"solvers: {', '.join(solvers) or 'none installed, small tours only'}")
    print("gaps  axes      cases  worst ratio  mean ratio  compared with        planning, s")
    worst = slowest = 0.0
    for count, cases in sizes(quick=quick):
        if count > 9 and not solvers:
            continue
        for together in (False, True):
            ratios, took, names = [], [], set()
            for seed, patches in itertools.product(range(cases), (False, True)):
                place = passes(count, seed, patches=patches)
                mine, spent = ours(place, together=together)
                best, name = best_known(place, solvers, together=together)
                ratios.append(mine / best)
                took.append(spent)
                names.add(name)
            print(
                f"{count:4}  {'at once' if together else 'in turn':8}  {len(ratios):5}  "
                f"{max(ratios):11.4f}  {math.fsum(ratios) / len(ratios):10.4f}  "
                f"{', '.join(sorted(names)):19}  {max(took):11.3f}"
            )
            worst = max(worst, *ratios)
            slowest = max(slowest, *took)
    whole = min(whole_plan() for _ in range(3))
    print(f"worst ratio {worst:.4f} (target: at most {MOST_RATIO:.2f})")
    print(f"2,000 gaps from notes to moves: {whole:.2f} s (target: less than {MOST_SECONDS:g} s)")
    return 0 if worst <= MOST_RATIO and whole < MOST_SECONDS else 1


def best_known(place: Floats, solvers: list[str], *, together: bool) -> tuple[float, str]:
    """Return the seconds of the best tour known, and who knows it."""
    count = len(place)
    if count <= 5:
        return tried_out(place, together=together), "all tours"
    if count <= 9:
        return exact(place, together=together), "dynamic programme"
    found = []
    if "elkai" in solvers:
        found.append((by_elkai(place, together=together), "elkai"))
    if "ortools" in solvers:
        limit_s = 2 if count <= 30 else 15 if count <= 300 else 30
        found.append((by_ortools(place, together=together, limit_s=limit_s), "ortools"))
    return min(found)


if __name__ == "__main__":
    sys.exit(main())
