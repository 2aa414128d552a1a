"""A hand-held scanner: a wheel encoder and a gauge, as bytes with the times of their arrival.

Each reading shows a number instead of a wall: its thickness is that of no other one. What a cell
holds is thereby known to be of one reading, and the truth has the place at which that was taken.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import reduce
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from support.world.delivery import Delivery, deliver

__all__ = ["BURST_MM", "SAMPLE_S", "GaugeState", "Scanner", "Truth"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
GaugeState = Literal["good", "dead", "echoless", "frozen", "burst"]

SAMPLE_S: Final = 0.01
READING_S: Final = 0.02
COUNTS_PER_MM: Final = 20
BURST_MM: Final = 4.2
"""What the gauge shows in a burst: a thickness that the wall has nowhere, mm."""

_FIRST_MM = 6.0
_STEP_MM = 1e-4
_IDENTITIES = 1 << 15
_WAY = Delivery(delay=0.004, jitter=0.002)


@dataclass(frozen=True, slots=True)
class Truth:
    """All readings that were taken, shape (n,) each, in order of time.

    Attributes:
        time: s.
        row: where the probe was along the index axis, in lines; between two while it is shifted.
        scan: where it was along the scan axis, mm.
        thickness: as the gauge showed it, mm; that of an older one while it is frozen.
        valid: whether there was an echo.
        speed: of the probe along the scan axis, mm/s.
    """

    time: Floats
    row: Floats
    scan: Floats
    thickness: Floats
    valid: Bools
    speed: Floats

    def taken(self, thickness: Floats) -> Ints:
        """Return the number of the reading that each thickness is of; -1 for none, shape as given."""
        order = np.argsort(self.thickness, kind="stable")  # of a frozen one the first
        kept = self.thickness[order]
        if not kept.size:
            return np.full(thickness.shape, -1)
        at = np.searchsorted(kept, thickness - _STEP_MM / 4)
        at = np.minimum(at, kept.size - 1)
        found = np.abs(kept[at] - thickness) < _STEP_MM / 2
        found &= thickness > _FIRST_MM - _STEP_MM
        return np.where(found, order[at], -1)


class Scanner:
    """The scanner in a hand, which carries it about.

    Args:
        rng: source of chance.
        clock: whether the encoder's records have a device time.

    Attributes:
        now: s.
        scan, row: the true place of the probe, mm and lines.
        coupled: the probe has an echo.
        rolling: the wheel is on the wall.
        powered: the encoder unit is on.
        gauge: what the gauge does.
        clock: as given.
    """

    def __init__(self, rng: np.random.Generator, *, clock: bool) -> None:
        self._rng = rng
        self.now = 0.0
        self.scan = 0.0
        self.row = 0.0
        self.coupled = False
        self.rolling = False
        self.powered = True
        self.gauge: GaugeState = "good"
        self.clock = clock
        self._wheel = 0.0  # mm since the unit was switched on
        self._on_since = -float(rng.uniform(1.0, 1000.0))
        self._next = {"encoder": 0.0, "gauge": 0.0}
        self._last_arrival = {"encoder": 0.0, "gauge": 0.0}
        self._identities = rng.permutation(_IDENTITIES)
        self._taken = 0
        self._shown = 0.0
        self._rows: list[tuple[Floats, Floats, Floats, Floats, Bools, Floats]] = []

    def switch_encoder(self, *, on: bool) -> None:
        """Switch the encoder unit: its counter and its clock begin at 0."""
        self.powered = on
        if on:
            self._wheel, self._on_since = 0.0, self.now

    def truth(self) -> Truth:
        """Return the readings that were taken so far."""
        return Truth(*(np.concatenate(column) for column in zip(*self._rows, strict=True)))

    def go(self, time: Floats, scan: Floats, row: Floats) -> list[tuple[float, str, bytes]]:
        """Go along a path, shape (n,) each, from the present; return what arrives: (s, port, bytes).

        Args:
            time: s from now, rising.
            scan: true places, mm.
            row: true places, lines.
        """
        end = float(time[-1])
        wheel = self._wheel + (scan - self.scan if self.rolling else np.zeros(scan.shape))
        arrivals = self._samples(time, wheel, end) + self._readings(time, scan, row, end)
        self._wheel = float(wheel[-1])
        self.scan, self.row = float(scan[-1]), float(row[-1])
        self.now += end
        return arrivals

    def _times(self, port: str, period: float, end: float) -> Floats:
        """Return when a device samples in the next `end` s, from now."""
        first = self._next[port] - self.now
        count = max(int(np.ceil((end - first) / period)), 0)
        self._next[port] += count * period
        return np.asarray(first + period * np.arange(count), np.float64)

    def _samples(self, time: Floats, wheel: Floats, end: float) -> list[tuple[float, str, bytes]]:
        at = self._times("encoder", SAMPLE_S, end)
        if not self.powered or not at.size:
            return []
        counts = np.rint(COUNTS_PER_MM * np.interp(at, time, wheel)).astype(np.int64) % (1 << 16)
        shown = np.rint(1e6 * (self.now + at - self._on_since)).astype(np.int64)
        if self.clock:
            rows = (f"P,{when},{count}" for when, count in zip(shown, counts, strict=True))
        else:
            rows = (f"P,{count}" for count in counts)
        return self._arrive("encoder", at, rows)

    def _readings(
        self, time: Floats, scan: Floats, row: Floats, end: float
    ) -> list[tuple[float, str, bytes]]:
        at = self._times("gauge", READING_S, end)
        if self.gauge == "dead" or not at.size:
            return []
        numbers = self._taken + np.arange(at.size)
        self._taken += at.size
        thickness: Floats = np.asarray(_FIRST_MM + _STEP_MM * self._identities[numbers])
        echo = self.coupled and self.gauge != "echoless"
        valid: Bools = np.full(at.shape, echo, np.bool_)
        if self.gauge == "frozen":
            thickness[:], valid[:] = self._shown or _FIRST_MM, True
        elif self.gauge == "burst":
            thickness[:] = BURST_MM
        elif self.coupled:
            self._shown = float(thickness[-1])
        places = np.interp(at, time, scan)
        half = 1e-3
        speed = (np.interp(at + half, time, scan) - np.interp(at - half, time, scan)) / (2 * half)
        self._rows.append(
            (self.now + at, np.interp(at, time, row), places, thickness, valid, speed)
        )
        clock = np.rint(1e6 * (self.now + at)).astype(np.int64) + 5_000_000
        rows = (
            f"R,{when},{mm:.4f},E" if echo else f"R,{when},0.0000,N"
            for when, mm, echo in zip(clock, thickness, valid, strict=True)
        )
        return self._arrive("gauge", at, rows)

    def _arrive(self, port: str, at: Floats, rows: Iterable[str]) -> list[tuple[float, str, bytes]]:
        lines = [_line(body) for body in rows]
        chunks = deliver(at, lines, _WAY, self._rng).chunks
        arrived = []
        for when, data in chunks:
            self._last_arrival[port] = max(self._last_arrival[port], self.now + when)
            arrived.append((self._last_arrival[port], port, data))
        return arrived


def _line(body: str) -> bytes:
    check = reduce(lambda sum_, byte: sum_ ^ byte, body.encode(), 0)
    return f"{body}*{check:02X}\r\n".encode()
