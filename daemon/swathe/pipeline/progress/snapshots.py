"""The facts of a survey as they are published, each defined once.

Messages over MQTT inherit these fields, the page and the terminals receive those messages, and the
survey record stores them: one snapshot feeds every output. Lengths are mm, areas mm².
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from swathe.arrays import distinct
from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gap_causes import GapCause
from swathe.pipeline.cells.gaps import Gap, GapEnd
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.cells.regions import runs_of
from swathe.pipeline.cells.unvisited import touched_runs
from swathe.pipeline.progress.fields import Digits, Extent, Snapshot, UtcTime, number_text
from swathe.pipeline.progress.lift_snapshot import LiftSnapshot
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot
from swathe.station import Station

__all__ = [
    "ExcludedZoneSnapshot",
    "GapPartSnapshot",
    "GapSnapshot",
    "LineNow",
    "LineSnapshot",
    "MarkSnapshot",
    "ProgressSnapshot",
    "ZoneSnapshot",
    "causes_text",
    "gap_snapshot",
    "line_snapshot",
    "lines_of",
    "minimum_text",
    "probe_names",
]

_MOST_LINES = 10_000
# Probes of a gap that are named; a gap of sixteen is no single probe's.
_MOST_NAMES = 4


class LineNow(Snapshot):
    """The line in force on a stepped index axis."""

    number: int = Field(description="row of the grid, from 0")
    lines: int = Field(description="how many the plan has")
    index: Annotated[float, Digits(3)] = Field(description="position of the line, mm")
    settled: bool = Field(description="whether readings count for the line")
    waiting: str = Field("", description="why none counts yet, and what the probe must do")


class ProgressSnapshot(Snapshot):
    """Coverage, position and speed of a survey at a moment."""

    time: UtcTime = Field(description="of this snapshot")
    percent: Annotated[float, Digits(2)] = Field(
        description="measured share of the required cells, %, rounded down"
    )
    measured: int = Field(description="required cells that are measured")
    required: int = Field(description="cells that the plan requires")
    open_gaps: int = Field(description="gaps that are open")
    line: int | None = Field(description="line under the probe; null before the first")
    line_now: LineNow | None = Field(
        None, description="the line in force; null where the index axis is not stepped"
    )
    scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        description="newest position of the probe, mm; null while unknown, "
        "and where no level of confidence is claimed"
    )
    index: Annotated[float | None, Digits(3, shown=2)] = Field(
        description="newest position of the probe, mm; null while unknown, "
        "and where no level of confidence is claimed"
    )
    lifted: LiftSnapshot | None = Field(
        None,
        description="echoes were absent and came back: the probe may have been set down elsewhere; "
        "null once its place was given, or once it has moved on",
    )
    speed: Annotated[float, Digits(1)] = Field(description="along the scan axis, mm/s")
    speed_limit: Annotated[float | None, Digits(1)] = Field(
        description="speed at which the reading rate still gives each cell its wanted hits, mm/s; "
        "null while unknown"
    )
    too_fast: bool = Field(
        description="whether the speed is near that limit or over it, while echoes come"
    )
    slips: int = Field(description="times that two sources of a position parted")
    slipped_at: Annotated[float | None, Digits(1)] = Field(
        description="position of the last slip on its axis, mm; null before any"
    )
    rate: Annotated[float, Digits(1)] = Field(description="readings per second, 1/s")
    seconds_left: Annotated[float | None, Digits(0)] = Field(
        description="time left at the present rate of newly measured cells, s; null while that is zero"
    )
    readings: int = Field(description="readings with a position, on the grid or outside it")
    unplaced: int = Field(description="readings without a position")
    outside: int = Field(description="readings outside the grid")
    between_lines: int = Field(
        0, description="readings that belong to no line: the probe stood while the line changed"
    )
    minimum: Annotated[float | None, Digits(3, inches=3)] = Field(
        description="minimum thickness of the cells whose values are not doubtful, or were confirmed, "
        "mm; null without one"
    )
    minimum_scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        description="scan position of the minimum thickness, mm"
    )
    minimum_index: Annotated[float | None, Digits(3, shown=2)] = Field(
        description="index position of the minimum thickness, mm"
    )
    minimum_raw: Annotated[float | None, Digits(3, inches=3)] = Field(
        None,
        description="minimum thickness of all valid readings, confirmed or not, mm; null before the "
        "first reading",
    )
    minimum_raw_scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="scan position of the raw minimum, mm"
    )
    minimum_raw_index: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="index position of the raw minimum, mm"
    )
    to_confirm: int = Field(0, description="places whose thickness is to be confirmed")
    impossible: int = Field(
        0, description="readings beyond what the part can have; they count as no echo"
    )
    minimum_expanded: Annotated[float | None, Digits(3)] = Field(
        description="expanded uncertainty of a single reading as thick as the minimum, 95.45 %, mm; "
        "null while unknown, and where no level of confidence is claimed; the interval for the true "
        "minimum is in the record"
    )
    probes: tuple[ProbeSnapshot, ...] = Field(
        (), description="each probe of a station with several; empty with one"
    )
    suspect: int = Field(
        description="cells that a failed calibration check or a slip makes suspect"
    )
    check_due: UtcTime | None = Field(
        description="when the next calibration check is due; null without an interval"
    )
    check_overdue: bool = Field(description="whether that time has passed")


class GapPartSnapshot(Snapshot):
    """The cells of a gap that have one cause."""

    cause: GapCause = Field(description="why its cells are missing")
    cells: int = Field(description="how many")
    scan: Extent = Field(description="their outer borders, mm")
    index: Extent = Field(description="their outer borders, mm")


class GapSnapshot(Snapshot):
    """A connected region of required cells that the probe left behind unmeasured.

    Of a closed gap, cells, causes, area and extents are those that it had at its largest.
    """

    number: int = Field(description="of the gap, for its life")
    status: Literal["open", "closed"] = Field(description="whether its cells are still missing")
    cause: GapCause = Field(description="the commonest cause among its cells")
    causes: dict[GapCause, int] = Field(description="cells by cause")
    parts: tuple[GapPartSnapshot, ...] = Field(
        (), description="the cells of each cause, most first; empty where there is one cause"
    )
    cells: int = Field(description="cells missing")
    area: Annotated[float, Digits(3)] = Field(
        description="area of its cells, mm²; their length on a line profile, mm"
    )
    scan: Extent = Field(description="outer borders of its cells, mm")
    index: Extent = Field(description="outer borders of its cells, mm")
    hours: str = Field(
        "",
        description="where it is round a pipe, in hours, such as '2:45 to 3:15'; empty without a "
        "clock in the station file",
    )
    probes: tuple[str, ...] = Field(
        (),
        description="of a station with several: names of those that passed its cells and left them "
        "unmeasured, most cells first",
    )
    opened: UtcTime = Field(description="when it was found")
    closed: UtcTime | None = Field(None, description="null while it is open")
    end: GapEnd | None = Field(None, description="how it ended; null while it is open")
    merged_into: int | None = Field(None, description="number of the gap that it became part of")
    closed_by: str = Field(
        "", description="who excluded its cells or overrode the check; empty for other ends"
    )
    reason: str = Field("", description="of that person: the zone excluded, and why")

    @property
    def is_open(self) -> bool:
        """Whether its cells are still missing."""
        return self.status == "open"

    @property
    def causes_text(self) -> str:
        """Its cause; with the cells of each where there are several, and the probes of several."""
        text = causes_text(self.causes) if self.causes else str(self.cause)
        return f"{text} ({probe_names(self.probes)})" if self.probes else text

    @property
    def end_text(self) -> str:
        """How it ended, with who and why where a person decided it; empty while it is open."""
        if self.end is None:
            return ""
        into = f" into gap {self.merged_into}" if self.merged_into else ""
        by = f" by {self.closed_by}" if self.closed_by else ""
        return f"{self.end}{into}{by}" + (f": {self.reason}" if self.reason else "")


class LineSnapshot(Snapshot):
    """A line that the probe has left, or that changed after."""

    line: int = Field(description="row of the grid, from 0")
    index: Annotated[float, Digits(3)] = Field(description="position of the line, mm")
    measured: int = Field(description="required cells that are measured")
    required: int = Field(description="cells that the plan requires")
    minimum: Annotated[float | None, Digits(3, inches=3)] = Field(
        description="minimum thickness on the line, mm; null when nothing was measured"
    )
    minimum_scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        description="scan position of the minimum thickness, mm"
    )
    missing: tuple[Extent, ...] = Field(description="stretches not measured, mm")


class ZoneSnapshot(Snapshot):
    """A rectangle that is not to be scanned, such as an obstruction."""

    name: str = Field(min_length=1, max_length=80, description="what is there")
    scan: Extent | None = Field(None, description="borders, mm; null for the whole scan axis")
    index: Extent | None = Field(None, description="borders, mm; null for the whole index axis")


class MarkSnapshot(Snapshot):
    """A named mark on the part, at which an operator can say that the probe is."""

    name: str = Field(description="of the mark, as in the station file")
    scan: float | None = Field(description="where it is, mm; null where only its index is known")
    index: float | None = Field(description="where it is, mm; null where only its scan is known")


class ExcludedZoneSnapshot(ZoneSnapshot):
    """A zone of the plan, or one that was excluded during the survey: by whom, when and why."""

    by: str = Field("", description="who excluded it; empty for a zone of the plan")
    time: UtcTime | None = Field(None, description="when; null for a zone of the plan")
    because: str = Field("", description="that person's reason; empty where none was given")
    cells: int = Field(0, description="required cells that it took out of the plan, if excluded")


def probe_names(names: Sequence[str]) -> str:
    """Return the probes of a gap in words; the first few where there are many."""
    many = len(names) - _MOST_NAMES
    return f"probe {', '.join(names[:_MOST_NAMES])}" + (f" and {many} more" if many > 0 else "")


def causes_text(causes: Mapping[GapCause, int]) -> str:
    """Return the commonest cause, and how many cells have another one.

    As in ``unvisited, of 312 cells 12 no signal``; only the cause where there is one.
    """
    first, *others = sorted(causes.items(), key=lambda item: -item[1])  # stable
    if not others:
        return str(first[0])
    parts = ", ".join(f"{count:,} {cause}" for cause, count in others)
    return f"{first[0]}, of {sum(causes.values()):,} cells {parts}"


def minimum_text(progress: ProgressSnapshot, units: DisplayUnits = MILLIMETRES) -> str:
    """Return the minimum thickness as it was read.

    The uncertainty of a reading does not stand next to it: the lowest of many readings is not as
    uncertain as one reading is. The interval for the true minimum is in the record.
    """
    return units.with_unit(number_text(progress, "minimum", units))


def gap_snapshot(gap: Gap, station: Station | None = None) -> GapSnapshot:
    """Return a gap as it was described last, with the hours of the station file's clock."""
    return GapSnapshot(
        number=gap.number,
        status="open" if gap.closed is None else "closed",
        cause=gap.cause,
        causes=dict(gap.causes),
        parts=tuple(GapPartSnapshot.model_validate(part) for part in gap.parts),
        cells=gap.size,
        area=gap.area,
        scan=gap.scan,
        index=gap.index,
        hours="" if station is None else _hours(gap, station),
        probes=_names(gap.probes, station),
        opened=gap.opened,
        closed=gap.closed,
        end=gap.end,
        merged_into=gap.merged_into,
        closed_by=gap.closed_by,
        reason=gap.reason,
    )


def _names(probes: tuple[int, ...], station: Station | None) -> tuple[str, ...]:
    """Return the names of probes; none where the station has one only."""
    if station is None or not station.probes:
        return ()
    return tuple(station.probes[number].name for number in probes)


def _hours(gap: Gap, station: Station) -> str:
    """Return where a gap is in hours; empty without a clock."""
    for settings, extent in ((station.index, gap.index), (station.scan, gap.scan)):
        if settings is not None and settings.clock is not None:
            low, high = extent
            return settings.hours(low, high, settings.length)
    return ""


def lines_of(grid: Grid) -> Sequence[int]:
    """Return the lines that a record summarizes, rising.

    These are all of a plan; of one with more than 10,000 lines those that were reached.
    """
    if grid.shape[0] <= _MOST_LINES:
        return range(grid.shape[0])
    rows = touched_runs(grid).first // grid.shape[1]
    return list(distinct(rows).tolist())


def line_snapshot(grid: Grid, coverage: Coverage, row: int) -> LineSnapshot:
    """Return a summary of one line of the grid."""
    whole = slice(row * grid.shape[1], (row + 1) * grid.shape[1])
    state, hits = grid.state[whole], grid.hits[whole]
    read = np.flatnonzero((hits > 0) & (state != CellState.EXCLUDED))
    minimum = int(read[np.argmin(grid.thickness[whole][read])]) if read.size else None
    missing = runs_of(np.flatnonzero(grid.missing(whole)))
    if grid.scan.wrapped and len(missing) > 1:
        (first, end), (begin, last) = missing[0], missing[-1]
        if first == 0 and last == grid.scan.cells - 1:  # one stretch over the seam
            missing = [*missing[1:-1], (begin, end + grid.scan.cells)]
    return LineSnapshot(
        line=row,
        index=float(grid.index.start + row * grid.index.resolution),
        measured=coverage.measured_in_row(row),
        required=grid.shape[1] - int(grid.excluded_in_row[row]),
        minimum=None if minimum is None else float(grid.thickness[whole][minimum]),
        minimum_scan=None if minimum is None else grid.scan.centre(minimum),
        missing=tuple(grid.scan.edges(first, last) for first, last in missing),
    )
