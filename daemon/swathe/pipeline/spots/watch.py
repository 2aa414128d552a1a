"""The gauge's newest readings: whether the probe is coupled, holds still, and was lifted before.

A probe was lifted where a reading has no echo, or where the gauge is silent. Readings are named by
their byte offsets in the gauge's stream, which belong to one record each and depend neither on
batches nor on a delay or clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times
from swathe.calibration import Stability
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.station import SpotsSettings
from swathe_drivers.records import READING

__all__ = ["CouplingNow", "SpotWatch"]

# A coupling is taken from the newest readings: what is older than so long, or than so many times what
# it takes, is dropped.
_KEPT_NS = 10_000_000_000
_KEPT_SPANS = 4
_MOST_ADDED = 4096
_SHORTEST_WINDOW = 3


@dataclass(frozen=True, slots=True)
class CouplingNow:
    """The newest readings since the probe was put on, and whether they can be taken.

    Attributes:
        value: of the newest reading, mm; NaN while the probe is off.
        readings: how many there are since the probe was put on, at most those that are taken.
        seconds: that they span.
        spread: maximum less minimum of them, mm; NaN without any.
        enough: whether there are as many, over as long, as a coupling takes.
        steady: whether they agree and do not drift, too.
        lifted: whether the probe was lifted since the last coupling was taken.
        reason: why it is not steady, in words; empty when it is.
        first: byte offset of the first of them in the gauge's stream.
        last: of the last one.
        time: of the newest reading, host time in ns; 0 without one.
    """

    value: float
    readings: int
    seconds: float
    spread: float
    enough: bool
    steady: bool
    lifted: bool
    reason: str
    first: int
    last: int
    time: int


class SpotWatch:
    """Keeps the newest readings of the gauge in one run.

    Args:
        settings: how a spot is read.
        lifted: whether the probe counts as lifted before the first coupling of the run.
        units: in which thicknesses are written.
    """

    def __init__(
        self, settings: SpotsSettings, *, lifted: bool, units: DisplayUnits = MILLIMETRES
    ) -> None:
        self._settings = settings
        self._units = units
        self._kept = _KEPT_NS + _KEPT_SPANS * settings.steady_for
        self._readings: NDArray[Any] = np.empty(0, READING)
        self._known: Times = np.empty(0, np.int64)
        self._added: list[tuple[NDArray[Any], Times]] = []
        self._added_rows = 0
        # Since the last coupling: the offset from which on the probe is on again; None while it
        # was not lifted. Zero is before all.
        self._on_since: int | None = 0 if lifted else None
        self._taken = -1

    @property
    def oldest_offset(self) -> int | None:
        """Byte offset of the oldest reading that is kept; None without one."""
        self._settle()
        return int(self._readings["offset"][0]) if self._readings.size else None

    def add(self, readings: NDArray[Any], known: Times) -> None:
        """Add the next readings, dtype `READING` with their thickness, shape (n,).

        Args:
            readings: as they were decoded.
            known: journal times with which they arrived, ns, rising, shape (n,).
        """
        if readings.size:
            self._added.append((readings, known))
            self._added_rows += int(known.size)
            if self._added_rows > _MOST_ADDED:
                self._settle()

    def interrupt(self) -> None:
        """Forget the readings, as when the gauge's port changed or a pause ended.

        A silence round it shows no lifted probe.
        """
        self._settle()
        self._readings, self._known = self._readings[:0], self._known[:0]

    def _settle(self) -> None:
        """Join what was added, and look for a probe that was lifted and put on again."""
        if not self._added:
            return
        self._readings = np.concatenate((self._readings, *(one for one, _ in self._added)))
        self._known = np.concatenate((self._known, *(known for _, known in self._added)))
        self._added.clear()
        self._added_rows = 0
        self._look_for_lift()
        keep = int(np.searchsorted(self._known, self._known[-1] - self._kept))
        keep = min(keep, max(self._known.size - _KEPT_SPANS * self._settings.readings, 0))
        self._readings, self._known = self._readings[keep:], self._known[keep:]

    def _look_for_lift(self) -> None:
        if self._on_since is not None:
            return
        offsets = self._readings["offset"][self._begins()]
        after = offsets[offsets > self._taken]
        if after.size:
            self._on_since = int(after[0])

    @property
    def _echo(self) -> NDArray[np.bool_]:
        return np.asarray(self._readings["valid"] & np.isfinite(self._readings["thickness"]))

    def _begins(self) -> NDArray[np.intp]:
        """Return the readings with which the probe was put on after it was lifted, rising."""
        echo = self._echo
        silent = np.diff(self._known) > self._settings.lifted_after
        return np.flatnonzero(echo[1:] & (silent | ~echo[:-1])) + 1

    def lifted_before(self, first: int) -> bool:
        """Return whether the probe was lifted between the last coupling and a byte offset."""
        self._settle()
        return self._on_since is not None and self._on_since <= first

    def find(self, first: int, last: int) -> NDArray[Any]:
        """Return the readings with an echo from one byte offset to another, shape (n,)."""
        self._settle()
        offsets = self._readings["offset"]
        return self._readings[(offsets >= first) & (offsets <= last) & self._echo]

    def take(self, last: int) -> None:
        """Take note that a coupling was taken up to a byte offset: a lift is required again."""
        self._settle()
        self._taken, self._on_since = last, None
        self._look_for_lift()

    def newest(self, time: int) -> CouplingNow:
        """Return the newest readings since the probe was put on.

        Args:
            time: the journal time, ns: after a silence up to it the probe is off.
        """
        self._settle()
        settings = self._settings
        echo, known = self._echo, self._known
        arrived = int(known[-1]) if known.size else 0
        if not known.size or not echo[-1] or time - arrived > settings.lifted_after:
            reason = "no echo: put the probe on" if known.size else "the gauge sends nothing yet"
            lifted = self._on_since is not None or bool(known.size)
            return CouplingNow(
                math.nan, 0, 0.0, math.nan, False, False, lifted, reason, -1, -1, arrived
            )
        begins = self._begins()
        first = int(begins[-1]) if begins.size else int(np.argmax(echo))
        begin = int(np.searchsorted(known, arrived - settings.steady_for, side="right")) - 1
        begin = min(begin, known.size - settings.readings)
        enough = begin >= first
        stretch = self._readings[max(begin, first) :]
        thickness = stretch["thickness"].astype(np.float64)
        seconds = (arrived - int(known[max(begin, first)])) / 1e9
        spread = float(np.ptp(thickness))
        steady, reason = False, ""
        if not enough:
            needed = f"{settings.readings} readings over {settings.steady_for / 1e9:g} s"
            reason = f"{stretch.size} readings over {seconds:.1f} s of {needed}: hold still"
        else:
            window = max(stretch.size, _SHORTEST_WINDOW)
            stability = Stability(
                window=window, tolerance=settings.max_spread, unit="mm", display=self._units
            )
            state = stability.feed(thickness)
            steady, reason = state.stable, state.reason
        return CouplingNow(
            value=float(thickness[-1]),
            readings=int(stretch.size),
            seconds=seconds,
            spread=spread,
            enough=enough,
            steady=steady,
            lifted=self.lifted_before(int(stretch["offset"][0])),
            reason=reason,
            first=int(stretch["offset"][0]),
            last=int(stretch["offset"][-1]),
            time=arrived,
        )
