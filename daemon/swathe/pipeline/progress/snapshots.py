"""What a tick brought about, for those who publish it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gaps import Gap, GapCause, GapEnd
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.cells.regions import runs_of

__all__ = ["GapNote", "LineNote", "Progress", "gap_note", "line_note"]


@dataclass(frozen=True, slots=True)
class GapNote:
    """A gap as it was at a moment; lengths in mm, times in ns UTC.

    Of an ended gap, cells, causes, area and borders are those that it had at its largest.

    Attributes:
        number: its number for life.
        is_open: whether it is still missing.
        cause: why, for most of its cells.
        causes: cells by cause.
        cells: cells missing.
        area: mm².
        scan: outer borders on the scan axis.
        index: outer borders on the index axis.
        opened: when it opened.
        closed: when it ended; None while open.
        end: how it ended; None while open.
        merged_into: the gap it became part of.
    """

    number: int
    is_open: bool
    cause: GapCause
    causes: dict[GapCause, int]
    cells: int
    area: float
    scan: tuple[float, float]
    index: tuple[float, float]
    opened: int
    closed: int | None
    end: GapEnd | None
    merged_into: int | None


@dataclass(frozen=True, slots=True)
class LineNote:
    """A line that was left, or that changed after it was.

    Attributes:
        line: its number, the row of the grid.
        index: its position, mm.
        measured: cells measured.
        required: cells that the plan asks for.
        minimum: least thickness on it, mm; None when nothing was measured.
        minimum_at: scan position of that, mm.
        missing: runs of missing cells, (from, to) in mm.
    """

    line: int
    index: float
    measured: int
    required: int
    minimum: float | None
    minimum_at: float | None
    missing: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Progress:
    """How the survey stands; lengths in mm, times in ns UTC.

    Attributes:
        time: of this picture.
        required: cells that the plan asks for.
        measured: of these.
        percent: measured share.
        open_gaps: gaps open now.
        line: line that the probe scans; None before the first.
        scan: position; None while unknown.
        index: position; None while unknown.
        speed: mm/s along the scan axis.
        speed_limit: mm/s at which each cell still gets its wanted hits; None while unknown.
        too_fast: the probe is near that limit or over it.
        slips: times that two sources of the scan position parted.
        slipped_at: scan position of the last of these; None before any.
        rate: readings/s.
        seconds_left: at the present rate of newly measured cells; None while that is zero.
        readings: placed on the grid or outside it so far.
        unplaced: readings that no encoder samples bracketed.
        outside: readings beside the grid.
        minimum: least thickness so far, mm.
        minimum_at: its (scan, index) position, mm.
        minimum_expanded: its expanded uncertainty at 95.45 %, mm; None when it is not known.
        suspect: cells that a failed check of the calibration makes suspect.
        check_due: when the next check is due; None when none passed or no interval is asked for.
        check_overdue: whether that time is over.
    """

    time: int
    required: int
    measured: int
    percent: float
    open_gaps: int
    line: int | None
    scan: float | None
    index: float | None
    speed: float
    speed_limit: float | None
    too_fast: bool
    slips: int
    slipped_at: float | None
    rate: float
    seconds_left: float | None
    readings: int
    unplaced: int
    outside: int
    minimum: float | None
    minimum_at: tuple[float, float] | None
    minimum_expanded: float | None
    suspect: int
    check_due: int | None
    check_overdue: bool


def gap_note(gap: Gap) -> GapNote:
    """Return a gap as it was described last."""
    return GapNote(
        number=gap.number,
        is_open=gap.closed is None,
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


def line_note(grid: Grid, coverage: Coverage, row: int) -> LineNote:
    """Return a summary of one line of the grid."""
    whole = slice(row * grid.shape[1], (row + 1) * grid.shape[1])
    state, hits = grid.state[whole], grid.hits[whole]
    found = np.flatnonzero((hits > 0) & (state != CellState.EXCLUDED))
    minimum = int(found[np.argmin(grid.thickness[whole][found])]) if found.size else None
    missing = runs_of(np.flatnonzero(grid.missing(whole)))
    return LineNote(
        line=row,
        index=float(grid.index.start + row * grid.index.resolution),
        measured=coverage.measured_in_row(row),
        required=int(coverage.required_in_row[row]),
        minimum=None if minimum is None else float(grid.thickness[whole][minimum]),
        minimum_at=None if minimum is None else float(grid.scan.centres[minimum]),
        missing=tuple(grid.scan.edges(first, last) for first, last in missing),
    )
