"""From a device's own clock to the host's.

A delivery can be late but never early: plotted as arrival over device time, all records lie on or
above one straight line, the clocks' relation for an undelayed delivery. The line that lies below
all points and is nearest to them in the sum of distances touches the lower convex hull at the edge
over the mean device time (Moon, Skelly & Towsley, INFOCOM 1999; Zhang, Liu & Xia, INFOCOM 2002).
Its slope is the clocks' skew, held within what a quartz can do, and its height the offset plus the
least delay of the way.

Only the fastest delivery of each stretch of device time can touch the line, so only that one is
kept: memory is bounded and no record is handled by itself.
"""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.records import ABSENT_TIME

__all__ = ["ClockFit", "DeviceClock", "lower_hull"]

# A quartz is within 100 ppm, a poor resonator or a warm crawler within 500.
_MOST_SKEW = 500e-6
# One kept delivery for each of these stretches; a window of so many of them.
_STRETCH_NS = 100_000_000
_WINDOW = 1200
# A clock that disagrees by this much was restarted or set: no delivery is late by seconds.
_JUMP_NS = 3_000_000_000

Point = tuple[float, float]


def lower_hull(points: list[Point]) -> list[Point]:
    """Return the lower convex hull of `points`, which are in rising order of x.

    Andrew's monotone chain (A. M. Andrew, Information Processing Letters 9, 1979).
    """
    hull: list[Point] = []
    for point in points:
        while len(hull) >= 2 and _turns_right(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    return hull


def _turns_right(a: Point, b: Point, c: Point) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0


@dataclass(frozen=True, slots=True)
class ClockFit:
    """``host - host_0 = (1 + skew) * (device - device_0)``, times in ns."""

    device_0: int
    host_0: float
    skew: float


class DeviceClock:
    """Running fit of one device's clock to the host's.

    Args:
        wrap_ns: the device's counter starts again at 0 after this many ns; None if never.
    """

    def __init__(self, *, wrap_ns: int | None = None) -> None:
        self._wrap = wrap_ns
        self._last: int | None = None
        self._origin = (0, 0)
        self._kept: deque[Point] = deque(maxlen=_WINDOW)
        self.fit: ClockFit | None = None
        self.restarts = 0

    def to_host(self, device: NDArray[np.int64], arrival: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the host time of each record, in ns, shape as `device`.

        Args:
            device: device times as sent, ns; `ABSENT_TIME` where there is none.
            arrival: host times of arrival, ns.

        A record without device time keeps its arrival time. No record gets a host time later than
        its arrival.
        """
        has = device != ABSENT_TIME
        if not has.any():
            return arrival
        unwrapped = self._unwrapped(device[has], arrival[has])
        self._learn(unwrapped, arrival[has])
        fit = self.fit
        if fit is None:
            return arrival
        host = arrival.copy()
        # Differences are small enough for a float's 53 bits; sums of raw clocks are not.
        elapsed = (unwrapped - fit.device_0).astype(np.float64)
        origin = self._origin[1]
        mapped = origin + np.rint(fit.host_0 + elapsed * (1 + fit.skew)).astype(np.int64)
        host[has] = np.minimum(mapped, arrival[has])
        return host

    def _unwrapped(
        self, device: NDArray[np.int64], arrival: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        if self._wrap is not None:
            last = device[0] if self._last is None else self._last
            steps = np.diff(device, prepend=last % self._wrap)
            # The shorter way round: a record a little out of order is no whole turn ahead.
            half = self._wrap // 2
            steps = (steps + half) % self._wrap - half
            device = last + np.cumsum(steps)
        if self._last is not None and self.fit is not None:
            expected = self._origin[1] + self.fit.host_0 + (device[0] - self.fit.device_0)
            if abs(float(arrival[0]) - expected) > _JUMP_NS:
                self.restarts += 1
                self._kept.clear()
                self.fit = None
        self._last = int(device[-1])
        return device

    def _learn(self, device: NDArray[np.int64], arrival: NDArray[np.int64]) -> None:
        if self.fit is None:
            self._origin = (int(device[0]), int(arrival[0]))
        x = device - self._origin[0]
        y = arrival - self._origin[1]
        # Fastest delivery of each stretch of device time within this batch.
        stretch = x // _STRETCH_NS
        starts = np.flatnonzero(np.diff(stretch, prepend=stretch[0] - 1))
        late = y - x
        changed = False
        for first, end in zip(starts, [*starts[1:], len(x)], strict=True):
            best = first + int(np.argmin(late[first:end]))
            changed |= self._keep(float(x[best]), float(y[best]))
        if changed or self.fit is None:
            self._refit()

    def _keep(self, x: float, y: float) -> bool:
        """Keep the delivery if it is its stretch's fastest; tell whether the fit may change."""
        if self._kept:
            last_x, last_y = self._kept[-1]
            if x <= last_x or x // _STRETCH_NS == last_x // _STRETCH_NS:
                if y - x >= last_y - last_x or x <= last_x:
                    return False
                self._kept.pop()
        self._kept.append((x, y))
        return True

    def _refit(self) -> None:
        points = list(self._kept)
        hull = lower_hull(points)
        mean = sum(x for x, _ in points) / len(points)
        skew = 0.0
        for (x0, y0), (x1, y1) in itertools.pairwise(hull):
            if x0 <= mean <= x1:
                skew = (y1 - y0) / (x1 - x0) - 1.0
                break
        skew = min(max(skew, -_MOST_SKEW), _MOST_SKEW)
        # With the slope held, the line is lowered until it touches the hull.
        height = min(y - (1 + skew) * x for x, y in hull)
        self.fit = ClockFit(device_0=self._origin[0], host_0=height, skew=skew)
