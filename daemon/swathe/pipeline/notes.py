"""A gap, or a line of the grid, summed up for those who publish it."""

from __future__ import annotations

import numpy as np

from swathe.pipeline.changes import GapNote, LineNote
from swathe.pipeline.coverage import Coverage
from swathe.pipeline.gaps import Gap
from swathe.pipeline.grid import CellState, Grid
from swathe.pipeline.regions import runs_of

__all__ = ["gap_note", "line_note"]


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
    least = int(found[np.argmin(grid.thickness[whole][found])]) if found.size else None
    missing = runs_of(np.flatnonzero(grid.missing(whole)))
    return LineNote(
        line=row,
        index=float(grid.index.start + row * grid.index.resolution),
        measured=coverage.measured_in_row(row),
        required=int(coverage.required_in_row[row]),
        minimum=None if least is None else float(grid.thickness[whole][least]),
        minimum_at=None if least is None else float(grid.scan.centres[least]),
        missing=tuple(grid.scan.edges(first, last) for first, last in missing),
    )
