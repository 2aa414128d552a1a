"""Ways from place to place that keep out of the excluded zones.

The shortest way among rectangles, one axis at a time, runs along the borders of rectangles and
through the two places; it is found by Dijkstra's method (Numerische Mathematik 1, 269, 1959) on
the grid of these positions (as M. Hanan, SIAM J. Appl. Math. 14, 255, 1966, for trees without
obstacles).
"""

from __future__ import annotations

import heapq
import math

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats
from swathe.motion.errors import Point
from swathe.motion.limits.check import MotionLimits
from swathe.motion.limits.moves import move_time
from swathe.motion.limits.zones import PLANNED_MARGIN, Box, Zones

__all__ = ["is_free", "route", "route_time"]

# A plan's ways run along the planned margin, and are free if they keep half of it.
_HALF = PLANNED_MARGIN / 2


def is_free(zones: Zones, start: Point, end: Point) -> bool:
    """Return whether a plan may move straight from `start` to `end`."""
    return zones.met_by(start, end, margin=_HALF) is None


def route(
    start: Point, end: Point, *, zones: Zones, limits: MotionLimits, together: bool
) -> list[Point] | None:
    """Return the places to go to one after the other, `end` being the last; None if no way leads.

    Args:
        start: where the probe is, (scan, index) in mm.
        end: where it shall be.
        zones: what it keeps out of.
        limits: travel that it stays in, and how fast each axis is.
        together: whether both axes may move at once; they do where the whole box between two
            places is free.
    """
    if math.dist(start, end) < _HALF / 1000:
        return []  # it is there already, but for rounding
    straight = start[0] == end[0] or start[1] == end[1]
    if (together or straight) and is_free(zones, start, end):
        return [end]
    for corner in ((end[0], start[1]), (start[0], end[1])):
        if is_free(zones, start, corner) and is_free(zones, corner, end):
            return [corner, end]
    corners = _around(start, end, zones, limits)
    return _shortcut(start, corners, zones) if together and corners else corners


def _shortcut(start: Point, corners: list[Point], zones: Zones) -> list[Point]:
    """Leave out every corner that both axes can cut at once."""
    found: list[Point] = []
    at, k = start, 0
    while k < len(corners):
        # Two legs make a box; a longer cut would leave the way that was found free.
        if k + 1 < len(corners) and is_free(zones, at, corners[k + 1]):
            k += 1
        at = corners[k]
        found.append(at)
        k += 1
    return found


def _around(start: Point, end: Point, zones: Zones, limits: MotionLimits) -> list[Point] | None:
    window = _window(start, end, zones, limits)
    boxes = zones.boxes_in(window)
    lines = [_lines(k, (start[k], end[k]), boxes, window) for k in (0, 1)]
    right, down = _passable(lines[0], lines[1], boxes)
    begin = (int(np.searchsorted(lines[0], start[0])), int(np.searchsorted(lines[1], start[1])))
    goal = (int(np.searchsorted(lines[0], end[0])), int(np.searchsorted(lines[1], end[1])))
    nodes = _search(lines, right, down, begin, goal, limits)
    if nodes is None:
        return None
    places = [(float(lines[0][i]), float(lines[1][j])) for i, j in nodes]
    return [*_corners(places[:-1], places[1:]), end]


def _corners(places: list[Point], following: list[Point]) -> list[Point]:
    """Return the places where the direction changes."""
    found: list[Point] = []
    for before, at, after in zip(places, places[1:], following[1:], strict=False):
        if (before[0] == at[0]) != (at[0] == after[0]):
            found.append(at)
    return found


def _window(start: Point, end: Point, zones: Zones, limits: MotionLimits) -> Box:
    """Return where to look for a way: the travel, or a turn beyond both places on a pipe."""
    window: list[float] = []
    for k, axis in enumerate(limits.axes):
        period = zones.periods[k]
        low, high = min(start[k], end[k]), max(start[k], end[k])
        if period is not None:
            low, high = low - period, high + period
            window += [max(axis.low, low), min(axis.high, high)]
        else:
            window += [axis.low, axis.high]
    return window[0], window[1], window[2], window[3]


def _lines(axis: int, ends: tuple[float, float], boxes: list[Box], window: Box) -> Floats:
    low, high = window[2 * axis], window[2 * axis + 1]
    borders = [border for box in boxes for border in box[2 * axis : 2 * axis + 2]]
    inside = [b for b in borders if low <= b <= high and math.isfinite(b)]
    return np.unique(np.array([*ends, *inside]))


def _passable(
    xs: Floats, ys: Floats, boxes: list[Box]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return whether each step to the next x, and to the next y, keeps out of every box.

    Shapes (len(xs) - 1, len(ys)) and (len(xs), len(ys) - 1).
    """
    right = np.ones((xs.size - 1, ys.size), bool)
    down = np.ones((xs.size, ys.size - 1), bool)
    for x0, x1, y0, y1 in boxes:
        over_x = (xs[:-1] < x1) & (xs[1:] > x0)
        over_y = (ys[:-1] < y1) & (ys[1:] > y0)
        right &= ~(over_x[:, None] & ((ys > y0) & (ys < y1))[None, :])
        down &= ~(((xs > x0) & (xs < x1))[:, None] & over_y[None, :])
    return right, down


def _search(
    lines: list[Floats],
    right: NDArray[np.bool_],
    down: NDArray[np.bool_],
    begin: tuple[int, int],
    goal: tuple[int, int],
    limits: MotionLimits,
) -> list[tuple[int, int]] | None:
    """Return the quickest row of nodes; a corner costs the stop that it is."""
    xs, ys = lines
    stops = [axis.speed / axis.acceleration for axis in limits.axes]
    speeds = [axis.speed for axis in limits.axes]
    best: dict[tuple[int, int, int], float] = {(*begin, 2): 0.0}
    came: dict[tuple[int, int, int], tuple[int, int, int]] = {}
    queue: list[tuple[float, tuple[int, int, int]]] = [(0.0, (*begin, 2))]
    while queue:
        spent, node = heapq.heappop(queue)
        if spent > best[node]:
            continue
        i, j, along = node
        if (i, j) == goal:
            way = [(i, j)]
            while node in came:
                node = came[node]
                way.append(node[:2])
            return way[::-1]
        steps = (
            (0, i + 1, j, i + 1 < xs.size and bool(right[i, j])),
            (0, i - 1, j, i > 0 and bool(right[i - 1, j])),
            (1, i, j + 1, j + 1 < ys.size and bool(down[i, j])),
            (1, i, j - 1, j > 0 and bool(down[i, j - 1])),
        )
        for axis, to_i, to_j, passable in steps:
            if not passable:
                continue
            way_mm = abs(xs[to_i] - xs[i]) if axis == 0 else abs(ys[to_j] - ys[j])
            after = spent + float(way_mm) / speeds[axis] + (stops[axis] if axis != along else 0.0)
            reached = (to_i, to_j, axis)
            if after < best.get(reached, math.inf):
                best[reached] = after
                came[reached] = node
                heapq.heappush(queue, (after, reached))
    return None


def route_time(start: Point, places: list[Point], limits: MotionLimits) -> float:
    """Return the seconds for a route from `start`, with a stop at each place."""
    seconds, at = 0.0, start
    for place in places:
        seconds += move_time(math.dist(at, place), *limits.path(at, place))
        at = place
    return seconds
