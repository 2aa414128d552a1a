"""What a survey still lacks, as lines for a raster and as gaps to revisit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.live.outcome import covered_text
from swathe.motion import Point, Zones
from swathe.pipeline import CellState, GapCause, GapSnapshot, Pipeline, runs_of
from swathe.pipeline.progress.fields import count_text, number_text

__all__ = ["homing_order", "lines_left", "missing_gaps", "outcome_text"]

# A line of which more is missing is scanned as a line, the gaps of another one are revisited.
_A_LINE = 0.5
# Lines end at the borders of zones, and an encoder's counts are rounded.
_TOUCH_MM = 0.5


def _missing(pipeline: Pipeline, along: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return missing and required cells, a row for each line."""
    grid = pipeline.grid
    missing = np.asarray(grid.missing(slice(None))).reshape(grid.shape)
    required = (grid.state != CellState.EXCLUDED).reshape(grid.shape)
    return (missing, required) if along == 0 else (missing.T, required.T)


def lines_left(pipeline: Pipeline, along: int, lines: int, driven: set[int]) -> list[int]:
    """Return the lines that are still to be scanned, rising.

    Args:
        pipeline: the survey.
        along: axis that the lines run along; 0 for scan, 1 for index.
        lines: number of lines of the raster; a row of cells may have several.
        driven: lines that were scanned already; what they left is revisited.
    """
    missing, required = _missing(pipeline, along)
    asked = required.sum(axis=1)
    open_rows = missing.sum(axis=1) > _A_LINE * asked
    each = max(1, round((lines - 1) / max(1, missing.shape[0] - 1))) if lines > 1 else 1
    rows = np.minimum(np.arange(lines) // each, missing.shape[0] - 1)
    return [line for line in range(lines) if open_rows[rows[line]] and line not in driven]


def missing_gaps(pipeline: Pipeline, along: int, *, first: int) -> list[GapSnapshot]:
    """Return the open gaps, and as gaps what is missing though the probe never left it behind.

    Args:
        pipeline: the survey.
        along: axis that the lines run along; 0 for scan, 1 for index.
        first: number of the first gap that is made up here; they go down from it, below 0.
    """
    gaps = pipeline.open_gap_snapshots()
    missing, _ = _missing(pipeline, along)
    grid = pipeline.grid
    held = pipeline.coverage.gaps.holds(np.arange(grid.state.size)).reshape(grid.shape)
    rest = missing & ~(held if along == 0 else held.T)
    axis, across = (grid.scan, grid.index) if along == 0 else (grid.index, grid.scan)
    for row in np.flatnonzero(rest.any(axis=1)).tolist():
        for low, high in runs_of(np.flatnonzero(rest[row])):
            extent, row_extent = axis.edges(low, high), across.edges(row, row)
            gaps.append(
                GapSnapshot(
                    number=first,
                    status="open",
                    cause=GapCause.UNVISITED,
                    causes={GapCause.UNVISITED: high - low + 1},
                    cells=high - low + 1,
                    area=(extent[1] - extent[0]) * (row_extent[1] - row_extent[0]),
                    scan=extent if along == 0 else row_extent,
                    index=row_extent if along == 0 else extent,
                    opened=0,
                    closed=None,
                    end=None,
                    merged_into=None,
                )
            )
            first -= 1
    return gaps


def homing_order(
    axes: tuple[str, ...], starts: list[Point], home: Point | None, zones: Zones
) -> tuple[str, ...] | None:
    """Return an order of homing whose ways keep clear of the zones; None if there is none.

    Args:
        axes: to be homed, in the order that is wanted.
        starts: where the probe may be.
        home: where the reference is; None while that is not known, and no order is better.
        zones: what it keeps out of.
    """
    if home is None:
        return axes
    for order in (axes, axes[::-1]):
        if all(_clear(order, start, home, zones) for start in starts):
            return order
    return None


def _clear(order: tuple[str, ...], start: Point, home: Point, zones: Zones) -> bool:
    at = start
    for axis in order:
        to = (home[0], at[1]) if axis == "scan" else (at[0], home[1])
        if zones.met_by(at, to, margin=-_TOUCH_MM) is not None:
            return False
        at = to
    return True


def outcome_text(pipeline: Pipeline, why: str) -> str:
    """Return that the target is reached, or why the work ended and what is missing."""
    if pipeline.target_reached:
        doubtful = pipeline.spurious.register.open
        are = "is" if doubtful == 1 else "are"
        left = f"; {count_text(doubtful, 'place')} {are} to be confirmed" if doubtful else ""
        return f"{covered_text(pipeline)}{left}"
    missing = pipeline.coverage.required - pipeline.coverage.measured
    covered = number_text(pipeline.progress(), "percent")
    return f"{why}; {missing:,} cells are missing, {covered} % covered"
