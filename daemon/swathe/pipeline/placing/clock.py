"""The map from a device's own clock to the host's.

A delivery can be late but never early: plotted as arrival over device time, all records are on or
above one straight line, the clocks' relation for an undelayed delivery. The line that is below
all points and nearest to them in the sum of distances touches the lower convex hull at the edge
over the mean device time (Moon, Skelly & Towsley, INFOCOM 1999; Zhang, Liu & Xia, INFOCOM 2002).
Its slope is the clocks' skew, held within what a quartz can do, and its height the offset plus the
shortest delay on the way.

Only the fastest delivery of each stretch of device time can touch the line, so only that one is
kept: memory is bounded and no record is handled by itself. A record is mapped by the line of the
stretches before its own, lowered to the fastest record of its own stretch that is known with it:
what comes later does not change it, so that a map does not depend on how records were batched.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import run_lengths, run_starts, steps_of
from swathe.pipeline.placing.deliveries import ClockPoint, Deliveries
from swathe_drivers.records import ABSENT_TIME

__all__ = ["ClockFit", "DeviceClock"]

# One kept delivery for each of these stretches.
_STRETCH_NS = 100_000_000
# A clock that disagrees by this much was restarted or set: no delivery is late by seconds, nor is
# every delivery late for as long.
_JUMP_NS = 3_000_000_000
_LATE_NS = 100_000_000
# No delivery is early; a tick's width of a coarse clock and the fit's own error may make it seem so.
_EARLY_NS = 20_000_000
# A delivery so far from the line is of another clock, whatever its exact distance.
_FAR_NS = 1 << 39
# Standard uncertainty of a time before anything is known of the deliveries, and when all is.
_UNKNOWN_NS, _FLOOR_NS = 5_000_000, 20_000
# Records that are mapped at once: as many are mapped again when the clock turns out to be set.
_SLICE = 8192


@dataclass(frozen=True, slots=True)
class ClockFit:
    """``host - host_0 = (1 + skew) * (device - device_0)``, times in ns."""

    device_0: int
    host_0: float
    skew: float


class DeviceClock:
    """Running fit of one device's clock to the host's.

    A clock that was restarted or set is fitted again: at once when it is ahead (no delivery is
    early) or seconds off, and when no delivery has been in time for a while.

    Args:
        wrap_ns: the device's counter starts again at 0 after this many ns; None if never.

    Attributes:
        wrap_ns: as given.
        restarts: how often it was fitted again.
        uncertainty: standard uncertainty of the times that were returned last, ns, shape (n,).
    """

    def __init__(self, *, wrap_ns: int | None = None) -> None:
        self.wrap_ns = wrap_ns
        self._last: int | None = None
        self.restarts = 0
        self.uncertainty: NDArray[np.int64] = np.empty(0, np.int64)
        self._begin()

    def _begin(self) -> None:
        """Fit from the next record on."""
        self._origin: tuple[int, int] | None = None
        self._deliveries = Deliveries()
        self._line = (0.0, 0.0)  # at first through the fastest of the first chunk, without skew
        self._stretch = 0
        self._fastest: ClockPoint = (0.0, 0.0)  # of the stretch so far
        self._lowered = 0  # by how much that stretch's records lowered the line, ns; below 0
        self._late_since: int | None = None
        self._bound = _UNKNOWN_NS  # standard uncertainty of the line

    @property
    def fit(self) -> ClockFit | None:
        """The line below all deliveries so far; None before the first record."""
        if self._origin is None:
            return None
        height, skew = self._deliveries.line(self._fastest)
        return ClockFit(device_0=self._origin[0], host_0=height, skew=skew)

    def to_host(
        self,
        device: NDArray[np.int64],
        arrival: NDArray[np.int64],
        known: NDArray[np.int64] | None = None,
        set_at: NDArray[np.int64] | None = None,
    ) -> NDArray[np.int64]:
        """Return the host time of each record, in ns, shape as `device`.

        Args:
            device: device times as sent, ns; `ABSENT_TIME` where there is none.
            arrival: host times of arrival, ns.
            known: rising; records with equal numbers came with one chunk, which is never divided;
                by default each record came by itself.
            set_at: numbers of records with which another fit begins, rising; none by default.

        A record without device time keeps its arrival time. No record gets a host time later than
        its arrival.
        """
        has = device != ABSENT_TIME
        self.uncertainty = np.full(device.shape, _UNKNOWN_NS)
        if not has.any():
            return arrival
        chunks = np.arange(np.count_nonzero(has))
        if known is not None:
            chunks = chunks[steps_of(known[has], known[0] - 1) != 0]
        set_at = chunks[:0] if set_at is None else set_at
        if has.all():
            host, self.uncertainty = self._follow(self._unwrapped(device), arrival, chunks, set_at)
            return host
        host = arrival.copy()
        host[has], self.uncertainty[has] = self._follow(
            self._unwrapped(device[has]), arrival[has], chunks, np.cumsum(has)[set_at] - 1
        )
        return host

    def _follow(
        self,
        device: NDArray[np.int64],
        arrival: NDArray[np.int64],
        chunks: NDArray[np.int64],
        set_at: NDArray[np.int64],
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Learn from records, all with a device time; return their host times and uncertainty, ns.

        As `to_host`; device times are unwrapped, `chunks` has the first record of each chunk.
        """
        host, uncertainty = np.empty(device.shape, np.int64), np.empty(device.shape, np.int64)
        first = 0
        while first < device.size:
            # From a chunk's first record, or from within a chunk whose clock turned out to be set.
            begin = int(chunks.searchsorted(first, side="right")) - 1
            last = int(chunks.searchsorted(first + _SLICE))
            end = int(chunks[last]) if last < chunks.size else device.size
            if first in set_at and self._origin is not None:
                self.restarts += 1
                self._begin()
            end = min([end, *set_at[set_at > first].tolist()])
            last = int(chunks.searchsorted(end))
            some, inner = slice(first, end), np.maximum(chunks[begin:last] - first, 0)
            mapped, bound = self._map(device[some], arrival[some], inner)
            host[first : first + mapped.size] = mapped
            uncertainty[first : first + mapped.size] = bound
            first += mapped.size
            if first < end:  # the next record is of a clock that was set
                self.restarts += 1
                self._begin()
        return host, uncertainty

    def _map(
        self, device: NDArray[np.int64], arrival: NDArray[np.int64], chunks: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return times and uncertainty of the records up to the first one of a clock that was set."""
        unknown = 0  # records of the very first chunk: nothing was known before
        if self._origin is None:
            self._origin = (int(device[0]), int(arrival[0]))
            unknown = int(chunks[1]) if chunks.size > 1 else device.size
        x = device - self._origin[0]
        y = arrival - self._origin[1]
        if unknown:
            self._line = (float((y - x)[:unknown].min()), 0.0)
        stretch = np.maximum.accumulate(np.maximum(x // _STRETCH_NS, self._stretch))
        number, heights, skews, bounds, joined = self._settle(x, y, stretch, unknown)

        # Differences are small enough for a float's 53 bits; sums of raw clocks are not.
        above = (y - x).astype(np.float64) - heights[number] - skews[number] * x
        above = np.rint(np.clip(above, -_FAR_NS, _FAR_NS)).astype(np.int64)
        # The running minimum of each stretch by itself: each one is far below the one before.
        apart = number * (2 * _FAR_NS)
        lowest = np.minimum.accumulate(above - apart) + apart
        lowest = np.minimum(lowest, 0)
        if joined:
            lowest[number == 0] = np.minimum(lowest[number == 0], self._lowered)
        # All records of a stretch that came with one chunk are known together.
        is_first = steps_of(number, -1) > 0
        is_first[chunks] = True
        begins = is_first.nonzero()[0]
        sizes = run_lengths(begins, x.size)
        together = lowest[begins + sizes - 1]
        before = np.empty_like(together)
        before[0], before[1:] = self._lowered if joined else 0, together[:-1]
        before[1:][number[begins[1:]] > number[begins[:-1]]] = 0
        late = np.asarray(above - np.repeat(before, sizes), np.int64)
        late[:unknown] = 0
        host = arrival - (above - np.repeat(together, sizes))

        set_at = self._first_of_set_clock(late, arrival)
        bound = bounds[number]
        if set_at is not None:
            return np.asarray(host[:set_at], np.int64), bound[:set_at]
        self._lowered = int(lowest[-1])
        return np.asarray(host, np.int64), bound

    def _settle(
        self,
        x: NDArray[np.int64],
        y: NDArray[np.int64],
        stretch: NDArray[np.int64],
        unknown: int,
    ) -> tuple[
        NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], bool
    ]:
        """Keep the fastest delivery of each stretch; `unknown` records are of the first chunk.

        Returns:
            the number of each record's stretch among these; height, skew and standard uncertainty
            of the line for each of them; whether the first one began with earlier records.
        """
        begins = run_starts(stretch)
        late = y - x
        if begins.size == 1:
            number, fastest = np.zeros_like(x), np.array([int(late.argmin())])
        else:
            number = np.repeat(np.arange(begins.size), run_lengths(begins, x.size))
            is_fastest = np.flatnonzero(late == np.minimum.reduceat(late, begins)[number])
            fastest = is_fastest[steps_of(number[is_fastest], -1) > 0]
        joined = int(stretch[0]) == self._stretch
        heights, skews = np.empty(begins.size), np.empty(begins.size)
        bounds = np.empty(begins.size, np.int64)
        points = zip(x[fastest].tolist(), y[fastest].tolist(), strict=True)
        for k, (point_x, point_y) in enumerate(points):
            point = (float(point_x), float(point_y))
            if k or not joined:
                self._deliveries.add(self._fastest)
                if begins[k] >= unknown:
                    self._line = self._deliveries.line()
                    bound = self._deliveries.uncertainty(*self._line)
                    self._bound = round(min(max(bound, _FLOOR_NS), _UNKNOWN_NS))
                self._fastest = point
            elif _lateness(point) < _lateness(self._fastest):
                self._fastest = point
            heights[k], skews[k] = self._line
            bounds[k] = self._bound
        self._stretch = int(stretch[-1])
        return number, heights, skews, bounds, joined

    def _first_of_set_clock(
        self, late: NDArray[np.int64], arrival: NDArray[np.int64]
    ) -> int | None:
        """Return the first record of a clock that is no longer the one that was fitted."""
        if late.max() <= _LATE_NS and late.min() >= -_EARLY_NS:
            self._late_since = None
            return None
        is_late = late > _LATE_NS
        number = np.arange(late.size)
        in_time = np.maximum.accumulate(np.where(is_late, -1, number))
        since = arrival[np.minimum(in_time + 1, late.size - 1)]
        if self._late_since is not None:
            since = np.where(in_time < 0, self._late_since, since)
        off = (late < -_EARLY_NS) | (late > _JUMP_NS) | (is_late & (arrival - since > _JUMP_NS))
        if off.any():
            return int(np.argmax(off))
        self._late_since = int(since[-1]) if is_late[-1] else None
        return None

    def _unwrapped(self, device: NDArray[np.int64]) -> NDArray[np.int64]:
        if self.wrap_ns is not None:
            last = int(device[0]) if self._last is None else self._last
            steps = steps_of(device, last % self.wrap_ns)
            # The shorter way round: a record a little out of order is no whole turn ahead.
            half = self.wrap_ns // 2
            steps = (steps + half) % self.wrap_ns - half
            device = last + np.cumsum(steps)
        self._last = int(device[-1])
        return device


def _lateness(point: ClockPoint) -> float:
    return point[1] - point[0]
