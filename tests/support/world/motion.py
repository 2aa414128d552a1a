"""True motions of a probe: lines with accelerations at their ends, rests, wraps.

A motion is a table of positions over time, fine enough that linear interpolation is within a few µm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Motion", "MotionTable", "line_profile", "pipe", "raster"]

Floats = NDArray[np.float64]

_STEP_MM = 0.02
_PART_MM = 60.0
"""Speed changes every so many mm of a line."""


@dataclass(frozen=True, slots=True)
class Motion:
    """Positions over time, shape (n,) each; between two the probe moves evenly.

    Attributes:
        time: s, rising.
        scan: mm.
        index: mm.
    """

    time: Floats
    scan: Floats
    index: Floats

    @property
    def end(self) -> float:
        """When it ends, s."""
        return float(self.time[-1])

    def at(self, seconds: Floats) -> tuple[Floats, Floats]:
        """Return (scan, index) in mm at times in s, shape as `seconds`."""
        return (
            np.interp(seconds, self.time, self.scan),
            np.interp(seconds, self.time, self.index),
        )

    def velocity(self, seconds: Floats) -> Floats:
        """Return the velocity along the scan axis at times in s, mm/s, shape as `seconds`."""
        half = 1e-3
        return np.asarray((self.at(seconds + half)[0] - self.at(seconds - half)[0]) / (2 * half))


class MotionTable:
    """Builds a motion piece by piece, from a first position at rest.

    Args:
        rng: source of chance.
        scan, index: first position, mm.
        speed: lowest and highest speed, mm/s.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        scan: float,
        index: float,
        speed: tuple[float, float],
    ) -> None:
        self._rng = rng
        self._speed = speed
        self._time = [np.zeros(1)]
        self._scan = [np.array([scan])]
        self._index = [np.array([index])]

    @property
    def here(self) -> tuple[float, float]:
        """The position so far, mm."""
        return float(self._scan[-1][-1]), float(self._index[-1][-1])

    def rest(self, seconds: float) -> None:
        """Stand still."""
        scan, index = self.here
        self._add(np.array([seconds]), np.array([scan]), np.array([index]))

    def move(self, scan: float, index: float) -> None:
        """Move along a straight line, from rest to rest, at a speed that varies on the way."""
        here = np.array(self.here)
        there = np.array([scan, index])
        length = float(np.linalg.norm(there - here))
        way = np.linspace(0.0, length, max(int(length / _STEP_MM), 8) + 1)
        low, high = self._speed
        base = self._rng.uniform(low, high)
        parts = self._rng.uniform(0.8, 1.2, int(length / _PART_MM) + 1)
        speed = np.clip(base * parts, low, high)[(way / _PART_MM).astype(int)]
        square = speed**2
        square[[0, -1]] = 0.0
        slope = 2 * self._rng.uniform(400.0, 3000.0) * way
        # No faster than by acceleration from what is before, nor than braking for what follows.
        square = np.minimum.accumulate(square - slope) + slope
        square = np.minimum.accumulate((square + slope)[::-1])[::-1] - slope
        speed = np.sqrt(np.maximum(square, 0.0))
        time = np.cumsum(2 * np.diff(way) / (speed[1:] + speed[:-1]))
        share = way[1:] / length
        self._add(time, here[0] + share * (there - here)[0], here[1] + share * (there - here)[1])

    def _add(self, time: Floats, scan: Floats, index: Floats) -> None:
        self._time.append(self._time[-1][-1] + time)
        self._scan.append(scan)
        self._index.append(index)

    def motion(self) -> Motion:
        """Return the motion so far."""
        return Motion(*(np.concatenate(p) for p in (self._time, self._scan, self._index)))


def raster(
    rng: np.random.Generator, speed: tuple[float, float], *, length: float, step: float, lines: int
) -> Motion:
    """Return a serpentine over `lines` lines that are `step` mm apart, with 8 mm of overrun."""
    ends = (-8.0, length + 8.0)
    table = MotionTable(rng, ends[0], 0.0, speed)
    table.rest(rng.uniform(0.5, 3.0))
    for line in range(lines):
        if line:
            table.move(table.here[0], line * step)
            table.rest(rng.uniform(0.02, 0.4))
        table.move(ends[(line + 1) % 2], line * step)
    table.rest(1.5)
    return table.motion()


def line_profile(rng: np.random.Generator, speed: tuple[float, float], *, length: float) -> Motion:
    """Return one line, with two rests and a few mm back on the way."""
    table = MotionTable(rng, -6.0, 0.0, speed)
    table.rest(rng.uniform(0.5, 3.0))
    for share in np.sort(rng.uniform(0.1, 0.9, 2)).tolist():
        table.move(share * length, 0.0)
        table.rest(rng.uniform(0.1, 1.0))
        table.move(share * length - 12.0, 0.0)
    table.move(length + 6.0, 0.0)
    table.rest(1.5)
    return table.motion()


def pipe(
    rng: np.random.Generator, speed: tuple[float, float], *, around: float, step: float, lines: int
) -> Motion:
    """Return turns round a pipe, each a little more than a whole one, every other one backwards."""
    table = MotionTable(rng, 0.0, 0.0, speed)
    table.rest(rng.uniform(0.5, 3.0))
    for line in range(lines):
        if line:
            table.move(table.here[0], line * step)
            table.rest(rng.uniform(0.02, 0.4))
        over = around + rng.uniform(6.0, 15.0)
        table.move(table.here[0] + (over if line % 2 == 0 else -over), line * step)
    table.rest(1.5)
    return table.motion()
