"""The facts of a survey as they are published, each defined once.

Messages over MQTT inherit these fields, the page and the terminals receive those messages, and the
survey record stores them: one snapshot feeds every output. Lengths are mm, areas mm².
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gaps import Gap, GapCause, GapEnd
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.cells.regions import runs_of
from swathe.pipeline.progress.fields import Digits, Extent, Snapshot, UtcTime, number_text

__all__ = [
    "GapSnapshot",
    "LineNow",
    "LineSnapshot",
    "MarkSnapshot",
    "ProgressSnapshot",
    "ZoneSnapshot",
    "gap_snapshot",
    "line_snapshot",
    "minimum_text",
]


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
        description="measured share of the required cells, rounded down"
    )
    measured: int = Field(description="required cells that are measured")
    required: int = Field(description="cells that the plan requires")
    open_gaps: int = Field(description="gaps that are open")
    line: int | None = Field(description="line under the probe; null before the first")
    line_now: LineNow | None = Field(
        None, description="the line in force; null where the index axis is not stepped"
    )
    scan: Annotated[float | None, Digits(2)] = Field(
        description="newest position of the probe, mm; null while unknown"
    )
    index: Annotated[float | None, Digits(2)] = Field(
        description="newest position of the probe, mm; null while unknown"
    )
    speed: Annotated[float, Digits(1)] = Field(description="along the scan axis, mm/s")
    speed_limit: Annotated[float | None, Digits(1)] = Field(
        description="speed at which the reading rate still gives each cell its wanted hits, mm/s; "
        "null while unknown"
    )
    too_fast: bool = Field(description="whether the speed is near that limit or over it")
    slips: int = Field(description="times that two sources of a position parted")
    slipped_at: Annotated[float | None, Digits(1)] = Field(
        description="position of the last slip on its axis, mm; null before any"
    )
    rate: Annotated[float, Digits(1)] = Field(description="readings per second")
    seconds_left: Annotated[float | None, Digits(0)] = Field(
        description="at the present rate of newly measured cells; null while that is zero"
    )
    readings: int = Field(description="readings with a position, on the grid or outside it")
    unplaced: int = Field(description="readings without a position")
    outside: int = Field(description="readings outside the grid")
    minimum: Annotated[float | None, Digits(3)] = Field(
        description="minimum thickness so far, mm; null before the first reading"
    )
    minimum_scan: Annotated[float | None, Digits(2)] = Field(
        description="scan position of the minimum thickness, mm"
    )
    minimum_index: Annotated[float | None, Digits(2)] = Field(
        description="index position of the minimum thickness, mm"
    )
    minimum_expanded: Annotated[float | None, Digits(3)] = Field(
        description="expanded uncertainty of the minimum thickness, 95.45 %, mm; null while unknown"
    )
    suspect: int = Field(
        description="cells that a failed calibration check or a slip makes suspect"
    )
    check_due: UtcTime | None = Field(
        description="when the next calibration check is due; null without an interval"
    )
    check_overdue: bool = Field(description="whether that time has passed")


class GapSnapshot(Snapshot):
    """A connected region of required cells that the probe left behind unmeasured.

    Of a closed gap, cells, causes, area and extents are those that it had at its largest.
    """

    number: int = Field(description="of the gap, for its life")
    status: Literal["open", "closed"]
    cause: GapCause = Field(description="the commonest cause among its cells")
    causes: dict[GapCause, int] = Field(description="cells by cause")
    cells: int = Field(description="cells missing")
    area: Annotated[float, Digits(3)] = Field(
        description="area of its cells, mm²; their length on a line profile, mm"
    )
    scan: Extent = Field(description="outer borders of its cells, mm")
    index: Extent = Field(description="outer borders of its cells, mm")
    opened: UtcTime
    closed: UtcTime | None = Field(None, description="null while it is open")
    end: GapEnd | None = Field(None, description="how it ended; null while it is open")
    merged_into: int | None = Field(None, description="number of the gap that it became part of")

    @property
    def is_open(self) -> bool:
        """Whether its cells are still missing."""
        return self.status == "open"


class LineSnapshot(Snapshot):
    """A line that the probe has left, or that changed after."""

    line: int = Field(description="row of the grid, from 0")
    index: Annotated[float, Digits(3)] = Field(description="position of the line, mm")
    measured: int = Field(description="required cells that are measured")
    required: int = Field(description="cells that the plan requires")
    minimum: Annotated[float | None, Digits(3)] = Field(
        description="minimum thickness on the line, mm; null when nothing was measured"
    )
    minimum_scan: Annotated[float | None, Digits(2)] = Field(
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


def minimum_text(progress: ProgressSnapshot) -> str:
    """Return the minimum thickness, with its expanded uncertainty where that is known."""
    expanded = ""
    if progress.minimum_expanded is not None:
        expanded = f" ± {number_text(progress, 'minimum_expanded')}"
    return f"{number_text(progress, 'minimum')}{expanded} mm"


def gap_snapshot(gap: Gap) -> GapSnapshot:
    """Return a gap as it was described last."""
    return GapSnapshot(
        number=gap.number,
        status="open" if gap.closed is None else "closed",
        cause=gap.cause,
        causes=dict(gap.causes),
        cells=gap.size,
        area=gap.area,
        scan=gap.scan,
        index=gap.index,
        opened=gap.opened,
        closed=gap.closed,
        end=gap.end,
        merged_into=gap.merged_into,
    )


def line_snapshot(grid: Grid, coverage: Coverage, row: int) -> LineSnapshot:
    """Return a summary of one line of the grid."""
    whole = slice(row * grid.shape[1], (row + 1) * grid.shape[1])
    state, hits = grid.state[whole], grid.hits[whole]
    read = np.flatnonzero((hits > 0) & (state != CellState.EXCLUDED))
    minimum = int(read[np.argmin(grid.thickness[whole][read])]) if read.size else None
    missing = runs_of(np.flatnonzero(grid.missing(whole)))
    return LineSnapshot(
        line=row,
        index=float(grid.index.start + row * grid.index.resolution),
        measured=coverage.measured_in_row(row),
        required=int(coverage.required_in_row[row]),
        minimum=None if minimum is None else float(grid.thickness[whole][minimum]),
        minimum_scan=None if minimum is None else float(grid.scan.centres[minimum]),
        missing=tuple(grid.scan.edges(first, last) for first, last in missing),
    )
