"""Visits of gaps by several probes: the datum is put so that live probes pass over them, several at once.

Gaps of the same speed that are near each other along the passes are covered together, in the fewest
passes over their rows. Whatever shares a pass is one visit, so that each gap is in one visit only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from swathe.arrays import Bools
from swathe.motion.limits.moves import ramp_length
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.raster.stretches import Stretch, Strip
from swathe.motion.raster.swathes import SwatheSettings, plan_swathes
from swathe.motion.revisit.visits import GapVisit, PassSettings, rows_within
from swathe.pipeline import GapSnapshot
from swathe.station import Axis

__all__ = ["swathe_visits"]

_ROUNDING_MM = 1e-6
_Extent = tuple[float, float]


def swathe_visits(
    gaps: Sequence[GapSnapshot],
    area: WorkArea,
    settings: PassSettings,
    *,
    along: int,
    tries: Mapping[int, int],
) -> tuple[list[GapVisit], set[int]]:
    """Return the visits, and the numbers of the gaps of which no live probe reaches anything.

    Args:
        gaps: open gaps.
        area: where the machine moves, with its carriage.
        settings: how gaps are revisited.
        along: axis that the passes run along; 0 for scan, 1 for index.
        tries: how often each gap was tried already, by number; 0 where it is not named.

    Raises:
        MotionError: no probe is live.
    """
    most = area.limits.axes[along].speed
    by_speed: dict[float, list[GapSnapshot]] = {}
    for gap in gaps:
        speed = min(settings.speed_for(gap.cause, tries.get(gap.number, 0)), most)
        by_speed.setdefault(speed, []).append(gap)
    visits: list[GapVisit] = []
    for speed, same in sorted(by_speed.items(), reverse=True):
        run = area.run_length(along, speed, settings.settle)
        for near in _near_each_other(same, along, 2 * run if settings.join else None):
            visits += _visits(near, area, settings, along, speed, run)
    reached = {number for visit in visits for number in visit.gaps}
    return visits, {gap.number for gap in gaps} - reached


def _near_each_other(
    gaps: list[GapSnapshot], along: int, near: float | None
) -> list[list[GapSnapshot]]:
    """Gather gaps that are closer than `near` along the passes; None leaves each alone."""
    groups: list[list[GapSnapshot]] = []
    end = -np.inf
    for gap in sorted(gaps, key=lambda one: (_extents(one, along)[0], one.number)):
        low, high = _extents(gap, along)[0]
        if near is not None and groups and low - end < near:
            groups[-1].append(gap)
            end = max(end, high)
        else:
            groups.append([gap])
            end = high
    return groups


def _visits(
    gaps: list[GapSnapshot],
    area: WorkArea,
    settings: PassSettings,
    along: int,
    speed: float,
    run: float,
) -> list[GapVisit]:
    """Return the visits over gaps of one speed, a visit for all that shares a pass."""
    axis, across = area.axes[along], area.axes[1 - along]
    wanted = np.zeros((across.cells, axis.cells), bool)
    by_row: dict[int, list[tuple[int, Bools]]] = {}
    for number, gap in enumerate(gaps):
        extent, lines = _extents(gap, along)
        cells = _cells(axis, *extent)
        first, last = rows_within(lines, across)
        for row in {row % across.cells for row in range(first, last + 1)}:
            wanted[row] |= cells
            by_row.setdefault(row, []).append((number, cells))
    how = SwatheSettings(run=run, off_centre=settings.off_centre * across.resolution)
    swathes = plan_swathes(wanted, across.centres, area, how, along=along)
    shared = _Groups(len(gaps))
    passes: list[tuple[int, Stretch]] = []
    for stretch in (one for row in (*swathes.main, *swathes.extra) for one in row):
        met = sorted(
            {
                number
                for strip in stretch.strips
                for number, cells in by_row.get(strip.line, [])
                if (cells & _cells(axis, strip.low, strip.high)).any()
            }
        )
        for number in met:
            shared.join(met[0], number)
        if met:
            lowest = min(stretch.strips, key=_line_of).line
            passes.append((met[0], replace(stretch, line=lowest)))
    ramp = ramp_length(speed, area.limits.axes[along].acceleration)
    visits: list[GapVisit] = []
    for group in shared.groups():
        mine = sorted((one for met, one in passes if met in group), key=_place_of)
        if mine:
            field = [list(row) for _, row in groupby(mine, key=lambda one: one.at)]
            numbers = tuple(gaps[number].number for number in group)
            visits.append(GapVisit(numbers, field, speed, run, ramp))
    return visits


def _line_of(strip: Strip) -> int:
    return strip.line


def _place_of(stretch: Stretch) -> tuple[float, float]:
    return stretch.at, stretch.low


def _extents(gap: GapSnapshot, along: int) -> tuple[_Extent, _Extent]:
    """Return the extent of a gap along the passes, and the one across them."""
    return (gap.scan, gap.index) if along == 0 else (gap.index, gap.scan)


def _cells(axis: Axis, low: float, high: float) -> Bools:
    """Return which cells have their centre from `low` to `high`, mm, round a pipe over the seam too."""
    way = axis.centres - low
    if axis.turn is not None:
        way = np.mod(way + _ROUNDING_MM, axis.turn[1] - axis.turn[0]) - _ROUNDING_MM
    return np.asarray((way >= -_ROUNDING_MM) & (way <= high - low + _ROUNDING_MM))


class _Groups:
    """Numbers that belong together, joined two at a time."""

    def __init__(self, count: int) -> None:
        self._first = list(range(count))

    def join(self, one: int, other: int) -> None:
        """Let two numbers, and all that belongs to them, belong together."""
        low, high = sorted((self._first[one], self._first[other]))
        self._first = [low if first == high else first for first in self._first]

    def groups(self) -> list[list[int]]:
        """Return the numbers that belong together, by their lowest one."""
        return [
            [number for number, first in enumerate(self._first) if first == lowest]
            for lowest in sorted(set(self._first))
        ]
