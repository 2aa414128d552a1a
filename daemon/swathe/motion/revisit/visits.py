"""Visits of gaps: stretches that are driven over them in one go, their run-up and their speed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from swathe.motion.errors import MotionError
from swathe.motion.raster.fields import Field, passes_of
from swathe.pipeline import GapCause
from swathe.station import Axis

__all__ = ["GapPass", "GapVisit", "PassSettings", "rows_within"]

_ROUNDING = 1e-9
# Slower helps where the echo was lost, or readings came too seldom or at uncertain times; not where
# nobody was.
_CURED_BY_SLOWNESS = (GapCause.NO_SIGNAL, GapCause.TOO_FAST, GapCause.UNCERTAIN)


@dataclass(frozen=True, slots=True, kw_only=True)
class PassSettings:
    """How gaps are revisited.

    Attributes:
        speed: of a first try, mm/s.
        slower: factor of the speed for each further try at a coupling fault, at what was too
            fast or at uncertain times; above 0, at most 1.
        min_speed: no slower than this, mm/s.
        settle: seconds of steady speed before the gap.
        along: axis that the passes run along.
        join: whether neighbouring gaps of the same lines, whose run-ups overlap, are one visit.
        off_centre: share of a row by which one of several probes may pass off its middle.
    """

    speed: float
    slower: float = 0.6
    min_speed: float = 1.0
    settle: float = 0.2
    along: Literal["scan", "index"] = "scan"
    join: bool = True
    off_centre: float = 0.4

    def __post_init__(self) -> None:
        for name, holds, requirement in (
            ("speed", 0 < self.speed < math.inf, "must be > 0 mm/s"),
            ("slower", 0 < self.slower <= 1, "must be > 0 and <= 1"),
            ("min_speed", 0 < self.min_speed <= self.speed, "must be > 0 and <= speed"),
            ("settle", 0 <= self.settle < math.inf, "must be >= 0 s"),
        ):
            if not holds:
                got = f"'go_back.{name}' {requirement} (got {getattr(self, name)!r})"
                raise MotionError(got, remedy="correct it in the settings")

    def speed_for(self, cause: GapCause, tries: int) -> float:
        """Return the speed in mm/s for a gap that was tried so often already."""
        if cause not in _CURED_BY_SLOWNESS:
            return self.speed
        return max(self.min_speed, self.speed * self.slower**tries)


@dataclass(frozen=True, slots=True)
class GapPass:
    """One stretch driven over a gap.

    Attributes:
        gaps: numbers of the gaps it is for.
        line: line of the grid; the lowest one of several probes.
        at: position across, of several probes that of the datum, mm.
        start: where it begins, along the line, mm; the run-up included.
        end: where it ends, the run-out included.
        over: what is missing, from lower to higher, mm.
        run_up: way before the missing part, mm.
        speed: mm/s.
        steady: whether run-up and run-out suffice for a steady speed over what is missing.
    """

    gaps: tuple[int, ...]
    line: int
    at: float
    start: float
    end: float
    over: tuple[float, float]
    run_up: float
    speed: float
    steady: bool

    @property
    def rising(self) -> bool:
        """Whether it runs towards higher positions."""
        return self.end > self.start


@dataclass(frozen=True, slots=True)
class GapVisit:
    """Gaps that are passed in one go.

    Attributes:
        gaps: their numbers.
        field: stretches by line.
        speed: mm/s.
        run_up: run-up for a steady speed, mm.
        ramp: run-out for a steady speed, mm.
    """

    gaps: tuple[int, ...]
    field: Field
    speed: float
    run_up: float
    ramp: float

    def passes(self, way: int) -> list[GapPass]:
        """Return the passes of one of the four ways to drive the visit."""
        found: list[GapPass] = []
        for stretch, forward in passes_of(self.field, way):
            ends = (stretch.reach_low, stretch.reach_high)
            before, after = stretch.low - ends[0], ends[1] - stretch.high
            if not forward:
                ends, before, after = ends[::-1], after, before
            steady = before >= self.run_up - _ROUNDING and after >= self.ramp - _ROUNDING
            over = (stretch.low, stretch.high)
            found.append(
                GapPass(
                    self.gaps, stretch.line, stretch.at, *ends, over, before, self.speed, steady
                )
            )
        return found


def rows_within(extent: tuple[float, float], axis: Axis) -> tuple[int, int]:
    """Return the first and last row whose centre lies in an extent; past the seam of a pipe too."""
    first = math.ceil((extent[0] - axis.start) / axis.resolution - _ROUNDING)
    last = math.floor((extent[1] - axis.start) / axis.resolution + _ROUNDING)
    return first, max(first, last)
