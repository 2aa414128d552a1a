"""The fastest deliveries of a device, and the line below them."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable

import numpy as np

__all__ = ["ClockPoint", "Deliveries", "lower_hull"]

# A quartz is within 100 ppm, a poor resonator or a warm crawler within 500.
_MOST_SKEW = 500e-6
# A window of so many stretches.
_WINDOW = 1200
_FAR = float("inf")
# The uncertainty follows from the fastest and from one of the next ones of the newest stretches: of so large a share
# of all, and no fewer than these.
_RANK, _END_SHARE, _FEWEST_AT_END = 3, 4, 10

ClockPoint = tuple[float, float]
"""Device time and arrival of a delivery, ns from some origin."""


def lower_hull(points: Iterable[ClockPoint]) -> list[ClockPoint]:
    """Return the lower convex hull of `points`, which are in rising order of x.

    Andrew's monotone chain (A. M. Andrew, Information Processing Letters 9, 1979).
    """
    hull: list[ClockPoint] = []
    for point in points:
        extend_hull(hull, point)
    return hull


def extend_hull(hull: list[ClockPoint], point: ClockPoint) -> None:
    """Add a point to the right of a lower hull, in place."""
    while len(hull) >= 2 and _turns_right(hull[-2], hull[-1], point):
        hull.pop()
    hull.append(point)


def _turns_right(a: ClockPoint, b: ClockPoint, c: ClockPoint) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0


class Deliveries:
    """The fastest delivery of each stretch of device time, and the lower hull of them all.

    The hull grows by the monotone chain's own step, so that a new delivery costs no more in a long
    window than in a short one.

    Args:
        most_skew: bound of the line's skew, to either side of none.
    """

    def __init__(self, most_skew: float = _MOST_SKEW) -> None:
        self._most_skew = most_skew
        self._points = np.empty((_WINDOW, 2))  # the first `_count` rows are the settled ones
        self._count = 0
        self._hull: list[ClockPoint] = []
        self._sum = 0.0

    def __len__(self) -> int:
        return self._count

    def add(self, point: ClockPoint) -> None:
        """Add the fastest delivery of a stretch that is over."""
        if self._hull and point[0] <= self._hull[-1][0]:  # the newest one is always on the hull
            return
        self._points[self._count] = point
        self._count += 1
        self._sum += point[0]
        extend_hull(self._hull, point)
        if self._count >= _WINDOW:
            # Dropping points takes a new hull, so many are dropped at once.
            kept = self._points[_WINDOW // 4 :].tolist()
            self._count = len(kept)
            self._points[: self._count] = kept
            self._sum = sum(x for x, _ in kept)
            self._hull = lower_hull((x, y) for x, y in kept)

    def line(self, newest: ClockPoint | None = None) -> tuple[float, float]:
        """Return height at x = 0 and skew of the line that fits best below all deliveries.

        Args:
            newest: the fastest delivery so far of the stretch that is not over.
        """
        hull, total, count = self._hull, self._sum, self._count
        if newest is not None and not (hull and newest[0] <= hull[-1][0]):
            hull = hull.copy()
            extend_hull(hull, newest)
            total, count = total + newest[0], count + 1
        edge = bisect_right(hull, (total / count, _FAR))
        if not 0 < edge < len(hull):
            edge = min(max(edge, 1), len(hull) - 1)
        if not edge:  # a single delivery
            return hull[0][1] - hull[0][0], 0.0
        (x0, y0), (x1, y1) = hull[edge - 1], hull[edge]
        skew = (y1 - y0) / (x1 - x0) - 1.0
        if abs(skew) <= self._most_skew:
            return y0 - (1 + skew) * x0, skew
        skew = min(max(skew, -self._most_skew), self._most_skew)
        # With the slope held, the line is lowered until it touches the hull.
        return min(y - (1 + skew) * x for x, y in hull), skew

    def uncertainty(self, height: float, skew: float) -> float:
        """Return the standard uncertainty of a line at the newest deliveries, ns; inf if unknown.

        The fastest of n deliveries is later than one without any delay by as much as the next ones
        are apart. Where the probability of a delay below t rises as its square, as that of the sum
        of two random ones, the k-th fastest is late by the root of k times the first: the fourth is
        behind the first by as much as the first is late. For a single exponential delay it is three
        times as much, for the sum of three 0.6 times. It is that of the newest quarter of the
        stretches, which hold the line's end.

        Args:
            height: of the line at x = 0.
            skew: of the line.
        """
        count = min(max(self._count // _END_SHARE, _FEWEST_AT_END), self._count)
        if count < 2:
            return _FAR
        newest = self._points[self._count - count : self._count]
        above = newest[:, 1] - height - (1 + skew) * newest[:, 0]
        rank = min(_RANK, count - 1)
        first, other = (float(one) for one in np.partition(above, (0, rank))[[0, rank]])
        # Of fewer, the distance of all is as much less; the first is above the line if that is low.
        return math.hypot((other - first) * _RANK / rank, max(first, 0.0))
