"""Required cells that a plan cannot reach, reported before anything moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from swathe.motion.errors import Point
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.raster.stretches import Stretch, Strip
from swathe.pipeline import runs_of

__all__ = ["Unreached", "excluded_on", "find_unreached"]

_ROUNDING_MM = 1e-6
_TRAVEL = "within "
_NO_WAY = "no way leads there round the excluded zones"


@dataclass(frozen=True, slots=True)
class Unreached:
    """A run of required cells that no scan passes.

    Attributes:
        line: their line.
        at: its position across, mm.
        extent: outer borders along the line, mm.
        why: what is in the way.
    """

    line: int
    at: float
    extent: tuple[float, float]
    why: str


def find_unreached(
    driven: Sequence[Stretch], area: WorkArea, *, along: int, lines: Mapping[int, float]
) -> tuple[Unreached, ...]:
    """Return the required cells of rows whose centre line is planned that no stretch passes.

    Args:
        driven: stretches that are scanned.
        area: where the machine moves.
        along: axis that the lines run along; 0 for scan, 1 for index.
        lines: position of each planned line across, mm, by its number.
    """
    axis, across = area.axes[along], area.axes[1 - along]
    period = area.zones.periods[along]
    by_line: dict[int, list[Strip]] = {}
    for strip in (each for stretch in driven for each in stretch.scanned):
        by_line.setdefault(strip.line, []).append(strip)
    found: list[Unreached] = []
    for line, at in lines.items():
        row = (at - across.start) / across.resolution
        if abs(row - round(row)) > _ROUNDING_MM:
            continue  # a line between two rows: these have their own
        open_cells = ~excluded_on(area, along, at)
        for strip in by_line.get(line, []):
            low = axis.centres - strip.low
            if period is not None:
                low = np.mod(low + _ROUNDING_MM, period) - _ROUNDING_MM
            open_cells &= ~((low >= -_ROUNDING_MM) & (low <= strip.high - strip.low + _ROUNDING_MM))
        for first, last in runs_of(np.flatnonzero(open_cells)):
            centres = axis.centres[first : last + 1].tolist()
            whys = [_why(area, (x, at) if along == 0 else (at, x)) for x in centres]
            for why, cells in groupby(range(len(whys)), key=whys.__getitem__):
                part = list(cells)
                extent = axis.edges(first + part[0], first + part[-1])
                found.append(Unreached(line, at, extent, why))
    return tuple(found)


def excluded_on(
    area: WorkArea, along: int, at: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return whether the plan does not ask for each cell of the line, shape (cells,)."""
    axis = area.axes[along]
    excluded = np.zeros(axis.cells, bool)
    for zone in area.zones.zones:
        borders = (zone.scan, zone.index)
        here, other = borders[along], borders[1 - along]
        if other is not None and not other[0] - 1e-9 <= at <= other[1] + 1e-9:
            continue
        if here is None:
            excluded[:] = True
        else:
            excluded |= (axis.centres >= here[0] - 1e-9) & (axis.centres <= here[1] + 1e-9)
    return excluded


def _why(area: WorkArea, place: Point) -> str:
    """Return what keeps every probe from a place; a zone rather than an end of travel."""
    if area.carriage.is_single:
        return _in_the_way(area, place) or _NO_WAY
    met = [_met(area, (place[0] - one.scan, place[1] - one.index)) for one in area.carriage.live]
    if not all(met):
        return (
            _NO_WAY if area.zones.zones else "no probe passes near enough to the middle of its row"
        )
    return f"no probe gets there {min(met, key=lambda each: each.startswith(_TRAVEL))}"


def _met(area: WorkArea, datum: Point) -> str:
    """Return what keeps the carriage from a position; empty if nothing does."""
    units, clearance = area.limits.units, area.zones.clearance
    zone = area.zones.met_by(datum, datum, margin=_ROUNDING_MM)
    if zone is not None:
        clear = f"{units.stated_text(clearance)} clear" if clearance else "clear"
        return f"with the carriage {clear} of excluded zone '{zone.name}'"
    return _TRAVEL + way if (way := _in_the_way(area, datum).removeprefix("beyond ")) else ""


def _in_the_way(area: WorkArea, place: Point) -> str:
    """Return what keeps the datum from a position; empty if nothing does."""
    units = area.limits.units
    zone = area.zones.met_by(place, place, margin=_ROUNDING_MM)
    if zone is not None:
        return f"within {units.stated_text(area.zones.clearance)} of excluded zone '{zone.name}'"
    for name, position, axis, period in zip(
        ("scan", "index"), place, area.reach.axes, area.zones.periods, strict=True
    ):
        if period is None and not axis.low <= position <= axis.high:
            ends = f"{units.stated_text(axis.low)} to {units.stated_text(axis.high)}"
            return f"beyond the travel of the {name} axis, {ends}"
        if period is not None and axis.high - axis.low < period:
            return f"beyond the travel or the cable's twist on the {name} axis"
    return ""
