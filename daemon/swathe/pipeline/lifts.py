"""Where echoes were absent for a while and came back: the probe may have been lifted.

An encoder does not show that a probe was carried: from where it is set down, readings are placed by the
counts. What the data show is that no reading had an echo for longer than the gauge's intervals
explain, and where that began and ended by the encoder. It is no fault, and only the operator knows
whether the probe was set down elsewhere; so it is offered to give its place, until a reference, or until
the probe has moved on: who scans on has decided.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.arrays import Floats
from swathe.pipeline.placing.interval import UsualInterval
from swathe.pipeline.placing.placed import Placed
from swathe.station import Axis

__all__ = ["Doubt", "Lift", "LiftWatch"]

# Without an echo for so long, or for so many usual intervals if that is longer, the probe may have
# been lifted; it has moved on by so many cells and mm. (Our choice, no source.)
_LIFT_NS = 1_000_000_000
_LIFT_INTERVALS = 4
_MOVED_CELLS = 10
_MOVED_MM = 50.0
# Times of commands have no more digits.
_MICROSECOND = 1_000


@dataclass(frozen=True, slots=True)
class Lift:
    """Echoes were absent, and came back.

    Attributes:
        begin: time of the last echo before, ns UTC.
        end: time of the first one after, ns UTC.
        left: scan and index position of the last echo before, mm.
        back: likewise of the first one after, by the encoder's counts.
    """

    begin: int
    end: int
    left: tuple[float, float]
    back: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Doubt:
    """Readings between a lift and the reference that showed the probe to be elsewhere.

    Attributes:
        lift: after which the readings may be at wrong positions.
        end: time of the reference, ns UTC.
    """

    lift: Lift
    end: int

    @property
    def stretch(self) -> tuple[int, int]:
        """Times of the readings in doubt, from and to, ns UTC: those after the last echo before."""
        return self.lift.begin + _MICROSECOND, self.end


class LiftWatch:
    """Follows the echoes of one run.

    Args:
        scan: the scan axis.
        index: the index axis.
        stepped: whether the index axis has no encoder.

    Attributes:
        newest: the last lift since the position was set; None without one.
        doubt: what the last reference put in doubt; None for nothing.
    """

    def __init__(self, scan: Axis, index: Axis, *, stepped: bool) -> None:
        self._axes = scan, index
        self._stepped = stepped
        self._far = max(_MOVED_CELLS * scan.resolution, _MOVED_MM)
        self._usual = UsualInterval()
        self._floor = int(np.iinfo(np.int64).min)
        self._last: tuple[int, float, float] | None = None  # time and position of the newest echo
        self._allowed = _LIFT_NS
        self._breaks: list[int] = []  # when a port changed, or the position was set
        self._set_at = self._floor
        self._moved_on = False
        self.newest: Lift | None = None
        self.doubt: Doubt | None = None

    @property
    def offered(self) -> Lift | None:
        """The lift after which a place is asked for; None without one."""
        return None if self._moved_on else self.newest

    def break_off(self, time: int) -> None:
        """Take a silence around `time`, ns, for no lift: the gauge's port changed."""
        self._breaks.append(time)

    def set_position(self, time: int, utc_offset: int, off: float | None) -> None:
        """Take note that the position was set.

        Args:
            time: journal time of the reference, ns.
            utc_offset: from host time to UTC, ns.
            off: by how much it is off the encoder's position, mm; None where that was not known.
        """
        echo = self._last
        in_air = echo is None or time - echo[0] > self._allowed
        self.doubt = None
        differs = off is not None and off > self._axes[0].resolution
        if self.newest is not None and differs and not in_air:
            self.doubt = Doubt(self.newest, time + utc_offset)
        self.newest, self._set_at = None, time
        self._breaks.append(time)

    def take(self, placed: Placed, utc_offset: int) -> None:
        """Take the next placed readings, and the offset from their times to UTC, ns."""
        readings = placed.readings
        if not readings.size:
            return
        times = np.maximum.accumulate(np.maximum(readings["time"], self._floor))
        self._floor = int(times[-1])
        usual = self._usual.follow(times)
        echo = readings["valid"]
        if not echo.any():
            return
        allowed = np.maximum(_LIFT_NS, _LIFT_INTERVALS * usual[echo])
        times, scan, index = times[echo], placed.scan[echo], placed.index[echo]
        before = times[0] if self._last is None else self._last[0]
        begins = np.concatenate(([before], times[:-1]))
        lifts = [
            k
            for k in np.flatnonzero(times - begins > allowed).tolist()
            if self._is_lift(int(begins[k]), int(times[k]))
        ]
        first = 0
        for k in [*lifts, times.size]:
            self._follow(scan[first:k], index[first:k])
            if k < times.size:
                left = (
                    self._last
                    if k == 0
                    else (int(times[k - 1]), float(scan[k - 1]), float(index[k - 1]))
                )
                assert left is not None  # noqa: S101  there is no silence before the first echo
                self._begin(left, (int(times[k]), float(scan[k]), float(index[k])), utc_offset)
            first = k
        self._last = int(times[-1]), float(scan[-1]), float(index[-1])
        self._allowed = int(allowed[-1])

    def _is_lift(self, begin: int, end: int) -> bool:
        return end > self._set_at and not any(begin < time <= end for time in self._breaks)

    def _begin(
        self, left: tuple[int, float, float], back: tuple[int, float, float], utc_offset: int
    ) -> None:
        rolled = self._axes[0].distance(left[1], back[1]) > self._far
        if self._stepped and rolled and left[2] != back[2]:
            return  # a return in the air, to the next line
        self.newest, self._moved_on = (
            Lift(left[0] + utc_offset, back[0] + utc_offset, left[1:], back[1:]),
            False,
        )

    def _follow(self, scan: Floats, index: Floats) -> None:
        """Follow the echoes since the newest lift, at positions in mm, shape (n,) each."""
        if self.newest is None or self._moved_on or not scan.size:
            return
        for axis, place, positions in zip(self._axes, self.newest.back, (scan, index), strict=True):
            self._moved_on |= bool((_apart(axis, positions, place) > self._far).any())


def _apart(axis: Axis, positions: Floats, place: float) -> Floats:
    """Return how far positions are from a place, mm; round a pipe by the shorter path."""
    apart: Floats = np.abs(positions - place)
    if axis.wrapped:
        turn = axis.cells * axis.resolution
        apart = np.minimum(apart % turn, turn - apart % turn)
    return apart
