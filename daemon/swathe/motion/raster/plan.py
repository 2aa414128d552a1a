"""Planning a raster: lines over the grid, cut at the zones, driven in a good order.

A cell counts as measured only by a reading that is placed in it, so every row of cells gets a line
through its centres, however wide the probe's footprint is; a footprint narrower than a row gets
further lines between them. Round an obstruction the lines fall into fields that are each driven
from end to end (boustrophedon decomposition: H. Choset and P. Pignon, Field and Service Robotics,
1998), so that the probe goes round it a few times and not once a line.

A carriage of several probes covers the same lines in fewer passes (`swathes`), one heading kept: a
pass is a line of its datum, and has strips, one for each line that a probe scans.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np

from swathe.motion.errors import MotionError, Point
from swathe.motion.limits.moves import Move, MoveKind, total_distance, total_time
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.raster.fields import Field, order_fields, split_into_fields
from swathe.motion.raster.mover import Mover
from swathe.motion.raster.stretches import Stretch, cut_line
from swathe.motion.raster.swathes import Swathes, SwatheSettings, plan_swathes
from swathe.motion.raster.unreached import Unreached, excluded_on, find_unreached
from swathe.station import Axis

__all__ = ["Pattern", "Plan", "RasterSettings", "line_positions", "plan_raster", "scan_speed"]

_ROUNDING_MM = 1e-9


class Pattern(StrEnum):
    """How the lines follow each other."""

    ONE_WAY = "one way"
    """Each from its lower end; between two lines the probe goes back."""
    SERPENTINE = "serpentine"
    """To and fro."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterSettings:
    """What a raster shall be like.

    Attributes:
        footprint: width of the strip that one line inspects, mm.
        overlap: share of the footprint that two lines have in common; from 0 to below 1.
        reading_rate: readings/s of the instrument.
        hits_per_cell: readings wanted in each cell.
        reserve: share of the speed held back for uneven speed and lost readings.
        speed: highest speed wanted, mm/s; None for what the readings allow.
        settle: seconds of steady speed before the first cell.
        pattern: how the lines follow each other.
        along: axis that the lines run along; "index" on a pipe is around it.
        off_centre: share of the distance of two lines by which a probe of several may pass next to
            the line that it covers; below a half, so that it keeps clear of the next row.
        pass_overlap: width that neighbouring passes of several probes have in common at least, mm.
    """

    footprint: float
    overlap: float = 0.0
    reading_rate: float
    hits_per_cell: float = 1.0
    reserve: float = 0.1
    speed: float | None = None
    settle: float = 0.0
    pattern: Pattern = Pattern.SERPENTINE
    along: Literal["scan", "index"] = "scan"
    off_centre: float = 0.4
    pass_overlap: float = 0.0

    def __post_init__(self) -> None:
        for name in ("footprint", "reading_rate", "hits_per_cell"):
            if not 0 < getattr(self, name) < math.inf:
                _refuse(name, "must be > 0", getattr(self, name), "take it from the data sheet")
        for name in ("overlap", "reserve"):
            if not 0 <= getattr(self, name) < 1:
                _refuse(name, "must be >= 0 and < 1", getattr(self, name), "0.1 is a tenth")
        if self.speed is not None and not 0 < self.speed < math.inf:
            _refuse("speed", "must be > 0", self.speed, "leave it out for what readings allow")
        if not 0 <= self.settle < math.inf:
            _refuse("settle", "must be >= 0 s", self.settle, "a few tenths of a second will do")
        if not 0 <= self.pass_overlap < math.inf:
            _refuse("pass_overlap", "must be >= 0", self.pass_overlap, "0 is for none")
        if not 0 < self.off_centre < 0.5:
            _refuse("off_centre", "must be > 0 and < 0.5", self.off_centre, "0.4 is the default")


def _refuse(name: str, requirement: str, got: object, remedy: str) -> None:
    raise MotionError(f"'raster.{name}' {requirement} (got {got!r})", remedy=remedy)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A raster as it will be driven.

    Attributes:
        moves: one after the other, each beginning where the last one ended.
        lines: position of each line across, mm.
        along: axis that the lines run along.
        pattern: how they follow each other.
        speed: of the scans, mm/s.
        run: run-in and run-out that a scan has where there is room, mm.
        stretches: what the scans are to cover, one for each scan, in their order.
        left_out: required cells that cannot be reached, and why.
        passes: positions of the datum across, of several probes; empty for one at the datum.
        fewest: whether it is known that fewer passes cannot cover the lines, zones left aside.
    """

    moves: tuple[Move, ...]
    lines: tuple[float, ...]
    along: Literal["scan", "index"]
    pattern: Pattern
    speed: float
    run: float
    stretches: tuple[Stretch, ...]
    left_out: tuple[Unreached, ...]
    passes: tuple[float, ...] = ()
    fewest: bool = True

    @property
    def pass_count(self) -> int:
        """How many passes it has: of one probe as many as lines."""
        return len(self.passes) if self.passes else len(self.lines)

    @property
    def seconds(self) -> float:
        """Time of all moves, each from rest to rest."""
        return total_time(self.moves)

    @property
    def distance(self) -> float:
        """Length of all moves, mm."""
        return total_distance(self.moves)

    @property
    def scan_distance(self) -> float:
        """Length of the scans with run-in and run-out, mm."""
        return total_distance(self.moves, MoveKind.SCAN)

    @property
    def unsteady(self) -> float:
        """Length that is scanned while the speed still rises or falls, for want of room, mm.

        The probe is slower there, so that cells get more readings and not fewer.
        """
        return math.fsum(
            max(0.0, self.run - (s.low - s.reach_low))
            + max(0.0, self.run - (s.reach_high - s.high))
            for s in self.stretches
        )


def scan_speed(settings: RasterSettings, resolution: float, limit: float) -> float:
    """Return the scan speed in mm/s that gives each cell its wanted hits.

    A cell is passed in resolution / speed seconds; times the reading rate, these are its hits.

    Args:
        settings: wanted hits and what limits the speed.
        resolution: of the axis that the lines run along, mm.
        limit: of that axis, mm/s.
    """
    speed = settings.reading_rate * resolution / settings.hits_per_cell * (1 - settings.reserve)
    return min(speed, limit, settings.speed or math.inf)


def line_positions(axis: Axis, settings: RasterSettings) -> tuple[float, ...]:
    """Return where the lines lie on the axis across them, mm.

    Lines are evenly spaced, at most footprint · (1 - overlap) apart, and one runs through the
    centres of each row.
    """
    pitch = settings.footprint * (1 - settings.overlap)
    each = max(1, math.ceil(axis.resolution / pitch - _ROUNDING_MM))
    count = axis.cells * each if axis.wrapped else (axis.cells - 1) * each + 1
    return tuple(axis.start + k * axis.resolution / each for k in range(count))


def plan_raster(
    area: WorkArea,
    settings: RasterSettings,
    *,
    begin: Point | None = None,
    only: Collection[int] | None = None,
) -> Plan:
    """Plan a raster.

    Args:
        area: where the machine moves.
        settings: what the raster shall be like.
        begin: where the probe is, (scan, index) in mm; None to begin at the first line.
        only: lines to drive, such as those that a crash left over; None for all.

    Raises:
        MotionError: nothing of the plan can be reached; the text says why.
    """
    along = 0 if settings.along == "scan" else 1
    axis, across = area.axes[along], area.axes[1 - along]
    reach = area.reach
    lines = line_positions(across, settings)
    speed = scan_speed(settings, axis.resolution, area.limits.axes[along].speed)
    run = area.run_length(along, speed, settings.settle)
    wanted = range(len(lines)) if only is None else sorted(set(only) & set(range(len(lines))))
    swathes = None
    if area.carriage.is_single:
        rows = _single_lines(area, lines, wanted, along=along, run=run)
        fields = split_into_fields(rows, area.zones.periods[along])
    else:
        swathes = _swathes(area, lines, wanted, settings, along=along, run=run)
        fields = split_into_fields(swathes.main, area.zones.periods[along])
        fields += split_into_fields(swathes.extra, area.zones.periods[along])
    mover = Mover(begin=begin, zones=area.zones, limits=reach, together=area.together)
    serpentine = settings.pattern is Pattern.SERPENTINE
    driven = _drive(mover, fields, area, along=along, serpentine=serpentine, speed=speed)
    left_out = find_unreached(
        driven, area, along=along, lines={line: lines[line] for line in wanted}
    )
    if not driven and wanted:
        why = left_out[0].why if left_out else "excluded zones cover all of it"
        remedy = "check the zones, the clearance, the travel and where the probe is"
        raise MotionError(f"nothing of the plan can be reached ({why})", remedy=remedy, place=begin)
    return Plan(
        moves=tuple(mover.moves),
        lines=lines,
        along=settings.along,
        pattern=settings.pattern,
        speed=speed,
        run=run,
        stretches=tuple(driven),
        left_out=left_out,
        passes=() if swathes is None else swathes.positions,
        fewest=swathes is None or swathes.fewest,
    )


def _single_lines(
    area: WorkArea, lines: Sequence[float], wanted: Sequence[int], *, along: int, run: float
) -> list[list[Stretch]]:
    """Return the stretches of each line as one probe at the datum scans it."""
    axis, across, reach = area.axes[along], area.axes[1 - along], area.reach
    low, high = axis.edges(0, axis.cells - 1)
    rows: list[list[Stretch]] = []
    for line in wanted:
        rows.append([])
        if not _within(lines[line], reach.axes[1 - along].low, reach.axes[1 - along].high, across):
            continue
        rows[-1] = cut_line(
            axis=axis, along=along, line=line, at=lines[line], low=low, high=high, run=run,
            zones=area.zones, travel=reach.axes[along],
        )  # fmt: skip
    return rows


def _swathes(
    area: WorkArea,
    lines: Sequence[float],
    wanted: Sequence[int],
    settings: RasterSettings,
    *,
    along: int,
    run: float,
) -> Swathes:
    """Return the passes of several probes over what is required of lines."""
    asked = np.zeros((len(lines), area.axes[along].cells), bool)
    for line in wanted:
        asked[line] = ~excluded_on(area, along, lines[line])
    apart = lines[1] - lines[0] if len(lines) > 1 else area.axes[1 - along].resolution
    how = SwatheSettings(
        run=run, off_centre=settings.off_centre * apart, overlap=settings.pass_overlap
    )
    return plan_swathes(asked, np.array(lines), area, how, along=along)


def _within(at: float, low: float, high: float, axis: Axis) -> bool:
    """Return whether a line's position, at some turn of a pipe, lies in the travel."""
    if axis.wrapped:
        period = axis.cells * axis.resolution
        return not math.isfinite(low) or at + math.ceil((low - at) / period) * period <= high
    return low <= at <= high


def _drive(
    mover: Mover,
    fields: list[Field],
    area: WorkArea,
    *,
    along: int,
    serpentine: bool,
    speed: float,
) -> list[Stretch]:
    """Drive the fields in a good order; return the stretches that were reached, in theirs."""
    driven: list[Stretch] = []
    ordered = order_fields(fields, area.metric, along=along, serpentine=serpentine, begin=mover.at)
    for passes in ordered:
        for stretch, forward in passes:
            if mover.scan(stretch, along=along, forward=forward, speed=speed):
                driven.append(stretch)
    return driven
