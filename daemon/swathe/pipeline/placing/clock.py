"""The map from a device's own clock to the host's.

A delivery can be late but never early: plotted as arrival over device time, all records are on or
above one straight line, the clocks' relation for an undelayed delivery. The line that is below
all points and nearest to them in the sum of distances touches the lower convex hull at the edge
over the mean device time (Moon, Skelly & Towsley, INFOCOM 1999; Zhang, Liu & Xia, INFOCOM 2002).
Its slope is the clocks' skew, held within what a quartz can do, and its height the offset plus the
shortest delay on the way.

Only the fastest delivery of each stretch of device time can touch the line, so only that one is
kept: memory is bounded and no record is handled by itself.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
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
# A clock that disagrees by this much was restarted or set: no delivery is late by seconds, nor is
# every delivery late for as long.
_JUMP_NS = 3_000_000_000
_LATE_NS = 100_000_000
# No delivery is early; a tick's width of a coarse clock and the fit's own error may make it seem so.
_EARLY_NS = 20_000_000

ClockPoint = tuple[float, float]


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


@dataclass(frozen=True, slots=True)
class ClockFit:
    """``host - host_0 = (1 + skew) * (device - device_0)``, times in ns."""

    device_0: int
    host_0: float
    skew: float


class _Deliveries:
    """The fastest delivery of each stretch of device time, and the lower hull of them all.

    The hull grows by the monotone chain's own step, so that a new delivery costs no more in a long
    window than in a short one.
    """

    def __init__(self) -> None:
        self._settled: list[ClockPoint] = []
        self._hull: list[ClockPoint] = []
        self._sum = 0.0
        self._newest: ClockPoint | None = None

    def __len__(self) -> int:
        return len(self._settled) + (self._newest is not None)

    def keep(self, x: float, y: float) -> bool:
        """Keep a delivery if it is its stretch's fastest; return whether the fit may change."""
        newest = self._newest
        if newest is None:
            self._newest = (x, y)
            return True
        if x <= newest[0]:
            return False
        if x // _STRETCH_NS == newest[0] // _STRETCH_NS:
            if y - x >= newest[1] - newest[0]:
                return False
        else:
            self._settle(newest)
        self._newest = (x, y)
        return True

    def _settle(self, point: ClockPoint) -> None:
        self._settled.append(point)
        self._sum += point[0]
        extend_hull(self._hull, point)
        if len(self._settled) >= _WINDOW:
            # Dropping points takes a new hull, so many are dropped at once.
            del self._settled[: _WINDOW // 4]
            self._sum = sum(x for x, _ in self._settled)
            self._hull = lower_hull(self._settled)

    def line(self) -> tuple[float, float]:
        """Return height at x = 0 and skew of the line that fits best below all deliveries."""
        hull = self._hull.copy()
        mean = self._sum
        if self._newest is not None:
            extend_hull(hull, self._newest)
            mean += self._newest[0]
        mean /= len(self)
        skew = 0.0
        for (x0, y0), (x1, y1) in itertools.pairwise(hull):
            if x0 <= mean <= x1:
                skew = (y1 - y0) / (x1 - x0) - 1.0
                break
        skew = min(max(skew, -_MOST_SKEW), _MOST_SKEW)
        # With the slope held, the line is lowered until it touches the hull.
        return min(y - (1 + skew) * x for x, y in hull), skew


class DeviceClock:
    """Running fit of one device's clock to the host's.

    A clock that was restarted or set is fitted again: at once when it is ahead (no delivery is
    early) or seconds off, and when no delivery has been in time for a while.

    Args:
        wrap_ns: the device's counter starts again at 0 after this many ns; None if never.

    Attributes:
        fit: the relation in force; None before the first record.
        restarts: how often it was fitted again.
    """

    def __init__(self, *, wrap_ns: int | None = None) -> None:
        self._wrap = wrap_ns
        self._last: int | None = None
        self._origin = (0, 0)
        self._deliveries = _Deliveries()
        self._in_time: int | None = None
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
        unwrapped, arrived = self._unwrapped(device[has]), arrival[has]
        host = arrival.copy()
        host[has] = self._follow(unwrapped, arrived)
        return host

    def _follow(self, device: NDArray[np.int64], arrival: NDArray[np.int64]) -> NDArray[np.int64]:
        """Learn from records, all with a device time, and return their host times, ns."""
        mapped = self._mapped(device)
        if self.fit is not None:
            first = self._first_after_set(arrival - mapped, arrival)
            if first is not None:
                self.restarts += 1
                self._deliveries = _Deliveries()
                self.fit = None
                after = self._follow(device[first:], arrival[first:])
                return np.concatenate((np.minimum(mapped[:first], arrival[:first]), after))
        self._learn(device, arrival)
        return np.minimum(self._mapped(device), arrival)

    def _mapped(self, device: NDArray[np.int64]) -> NDArray[np.int64]:
        fit = self.fit
        if fit is None:
            return device
        # Differences are small enough for a float's 53 bits; sums of raw clocks are not.
        elapsed = (device - fit.device_0).astype(np.float64)
        host = np.rint(fit.host_0 + elapsed * (1 + fit.skew)).astype(np.int64)
        return np.asarray(self._origin[1] + host, np.int64)

    def _first_after_set(self, late: NDArray[np.int64], arrival: NDArray[np.int64]) -> int | None:
        """Return the first record since which the clock is no longer the one that was fitted."""
        in_time = arrival[late <= _LATE_NS]
        if in_time.size or self._in_time is None:
            self._in_time = int(in_time[-1]) if in_time.size else int(arrival[0])
        off = (late < -_EARLY_NS) | (late > _JUMP_NS)
        if off.any():
            self._in_time = None
            return int(np.argmax(off))
        if int(arrival[-1]) - self._in_time > _JUMP_NS:
            self._in_time = None
            return 0
        return None

    def _unwrapped(self, device: NDArray[np.int64]) -> NDArray[np.int64]:
        if self._wrap is not None:
            last = int(device[0]) if self._last is None else self._last
            steps = np.diff(device, prepend=last % self._wrap)
            # The shorter way round: a record a little out of order is no whole turn ahead.
            half = self._wrap // 2
            steps = (steps + half) % self._wrap - half
            device = last + np.cumsum(steps)
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
            changed |= self._deliveries.keep(float(x[best]), float(y[best]))
        if changed or self.fit is None:
            height, skew = self._deliveries.line()
            self.fit = ClockFit(device_0=self._origin[0], host_0=height, skew=skew)
