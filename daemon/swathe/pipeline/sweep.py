"""Which cells the probe went through on its way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.grid import Grid
from swathe.pipeline.place import Way

__all__ = ["Crossing", "cross"]

# Points per cell along the way. With two, no cell whose full width is crossed is stepped over.
_POINTS_PER_CELL = 2


@dataclass(frozen=True, slots=True)
class Crossing:
    """Cells in the order in which the probe entered them, shape (n,) each.

    Attributes:
        cells: flat cells, no two alike in a row.
        silent: whether the gauge said nothing there.
        known: False where the probe must have passed but no samples say so closely enough; such
            cells are left behind without a state of their own.
    """

    cells: NDArray[np.int64]
    silent: NDArray[np.bool_]
    known: NDArray[np.bool_]


def cross(way: Way, grid: Grid, last_cell: int) -> Crossing:
    """Return the cells that `way` goes through, without `last_cell` if it begins there."""
    # Segment i ends on sample i; the first segment is the first sample by itself.
    scan_from = np.concatenate((way.scan[:1], way.scan[:-1]))
    index_from = np.concatenate((way.index[:1], way.index[:-1]))
    columns = np.abs(way.scan - scan_from) / grid.scan.resolution
    rows = np.abs(way.index - index_from) / grid.index.resolution
    steps = np.maximum(np.ceil(np.maximum(columns, rows) * _POINTS_PER_CELL), 1)
    # No more than once around or along: a jump (a glitch, a counter that was reset) is no way.
    jump = (~way.known & (rows >= 1)) | (columns > grid.scan.cells) | (rows > grid.index.cells)
    steps = np.where(jump, 1, steps).astype(np.int64)

    segment = np.repeat(np.arange(steps.size), steps)
    # Point j of m stands at (j + 1) / m of its segment: the last one is the sample itself.
    place = np.arange(segment.size) - np.repeat(np.cumsum(steps) - steps, steps) + 1
    share = place / steps[segment]
    scan = scan_from[segment] + (way.scan - scan_from)[segment] * share
    index = index_from[segment] + (way.index - index_from)[segment] * share
    cells = grid.cells_at(scan, index)
    known = way.known[segment] | (place == steps[segment])
    entered = (cells != np.concatenate(([last_cell], cells[:-1]))) & (cells >= 0)
    return Crossing(cells[entered], way.silent[segment][entered], known[entered])
