"""Stretches: pieces of lines that can be scanned in one go, with run-in and run-out.

All positions along a line are on the axis that the line runs along, `at` on the other. On a
circumference a stretch may run over the seam; `placings` says at which turns of the pipe it fits
into the travel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from swathe.motion.limits.check import AxisLimits
from swathe.motion.limits.zones import Zones
from swathe.station import Axis

__all__ = ["Stretch", "Strip", "cut_line", "fit", "placings"]

_ROUNDING_MM = 1e-9


@dataclass(frozen=True, slots=True)
class Strip:
    """What one probe scans on a stretch of the datum.

    Attributes:
        probe: its number.
        line: number of the line that it scans.
        at: position of that line on the other axis, mm.
        low: from where on the probe scans it, mm.
        high: to where, mm.
    """

    probe: int
    line: int
    at: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A piece of a line, or of a pass of several probes, along which the datum moves.

    Attributes:
        line: its number; of several probes that of the pass.
        at: position on the other axis, mm.
        low: from where on it is to be scanned, mm.
        high: to where, mm.
        reach_low: where a run-in may begin at the lower end; as far off as wanted, or up to a zone.
        reach_high: likewise at the higher end.
        strips: what each probe scans of it; empty for one probe at the datum.
    """

    line: int
    at: float
    low: float
    high: float
    reach_low: float
    reach_high: float
    strips: tuple[Strip, ...] = ()

    @property
    def scanned(self) -> tuple[Strip, ...]:
        """What is scanned of it, also by one probe at the datum."""
        return self.strips or (Strip(0, self.line, self.at, self.low, self.high),)

    def moved(self, way: float) -> Stretch:
        """Return the stretch `way` mm further along its line: the same place, turns later."""
        return replace(
            self,
            low=self.low + way,
            high=self.high + way,
            reach_low=self.reach_low + way,
            reach_high=self.reach_high + way,
        )


def cut_line(
    *,
    axis: Axis,
    along: int,
    line: int,
    at: float,
    low: float,
    high: float,
    run: float,
    zones: Zones,
    travel: AxisLimits,
) -> list[Stretch]:
    """Return what of a line can be scanned, cut where zones and the ends of travel are.

    Args:
        axis: that the line runs along.
        along: 0 if that is the scan axis, 1 if the index axis.
        line: number of the line.
        at: position of the line on the other axis, mm.
        low: from where on it is to be scanned, mm.
        high: to where, mm; on a circumference a turn further at most.
        run: way for run-in or run-out, mm.
        zones: to keep out of.
        travel: of the axis that the line runs along.
    """
    period = zones.periods[along]
    extent = (low - run, high + run)
    if period is None:
        extent = (max(extent[0], travel.low), min(extent[1], travel.high))
    stretches: list[Stretch] = []
    for begin, end in zones.free(along, at, extent):
        core = (max(begin, low), min(end, high))
        if _holds_centre(axis, *core):
            stretches.append(
                Stretch(
                    line=line,
                    at=at,
                    low=core[0],
                    high=core[1],
                    reach_low=max(begin, core[0] - run),
                    reach_high=min(end, core[1] + run),
                )
            )
    if period is None:
        return stretches
    if high - low > period - _ROUNDING_MM:
        stretches = _join_at_seam(stretches, low, high, period)
    pieces = [piece for stretch in stretches for piece in fit(stretch, run, period, travel)]
    # Centres repeat round a pipe, as a whole number of cells makes a turn.
    return [piece for piece in pieces if _holds_centre(axis, piece.low, piece.high)]


def placings(
    low: float, high: float, period: float | None, travel: AxisLimits, near: float
) -> list[float]:
    """Return by how many mm an extent may be moved so that it lies in the travel, nearest first.

    Args:
        low: of the extent, mm.
        high: of the extent, mm.
        period: circumference; None on an axis that does not close upon itself.
        travel: to lie in.
        near: where the extent's lower end is best.
    """
    if period is None:
        inside = travel.low - _ROUNDING_MM <= low and high <= travel.high + _ROUNDING_MM
        return [0.0] if inside else []
    first, last = _turns(low, high, period, travel)
    if first > last:
        return []
    wanted = min(max(round((near - low) / period), first), last)
    turns = sorted(range(-1, 2), key=lambda k: abs(low + (wanted + k) * period - near))
    return [(wanted + k) * period for k in turns if first <= wanted + k <= last]


def _turns(low: float, high: float, period: float, travel: AxisLimits) -> tuple[float, float]:
    first, last = -math.inf, math.inf
    if math.isfinite(travel.low):
        first = math.ceil((travel.low - low - _ROUNDING_MM) / period)
    if math.isfinite(travel.high):
        last = math.floor((travel.high - high + _ROUNDING_MM) / period)
    return first, last


def _holds_centre(axis: Axis, low: float, high: float) -> bool:
    """Return whether a cell's centre lies between `low` and `high`."""
    after = math.ceil((low - axis.start) / axis.resolution - _ROUNDING_MM)
    return axis.start + after * axis.resolution <= high + _ROUNDING_MM


def _join_at_seam(
    stretches: list[Stretch], low: float, high: float, period: float
) -> list[Stretch]:
    """Make one of the first and the last if only the seam parts them."""
    if len(stretches) < 2:
        return stretches
    first, last = stretches[0], stretches[-1]
    if first.low > low + _ROUNDING_MM or last.high < high - _ROUNDING_MM:
        return stretches
    joined = replace(last, high=first.high + period, reach_high=first.reach_high + period)
    return [*stretches[1:-1], joined]


def fit(stretch: Stretch, run: float, period: float, travel: AxisLimits) -> list[Stretch]:
    """Cut a stretch at the end of travel if it fits into the travel at no turn of a pipe.

    Args:
        stretch: to be driven.
        run: way for run-in or run-out, mm.
        period: circumference, mm.
        travel: of the axis that the stretch runs along.
    """
    first, last = _turns(stretch.low, stretch.high, period, travel)
    if first <= last:
        return [stretch]
    turn = math.floor((travel.high - stretch.low) / period) * period
    here = stretch.moved(turn)
    cut = travel.high
    before = replace(
        here, low=max(here.low, travel.low), high=cut, reach_high=min(cut + run, here.reach_high)
    )
    # The rest is scanned a turn back; what the travel does not reach there either is left out.
    rest = here.moved(-period)
    rest_low = max(cut - period, travel.low)
    after = replace(rest, low=rest_low, reach_low=max(rest_low - run, rest.reach_low))
    return [piece for piece in (before, after) if piece.high - piece.low > _ROUNDING_MM]
