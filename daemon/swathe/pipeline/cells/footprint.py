"""The cells under a carriage: the outer rows and columns of all its probes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Bools, Cells, Floats, Ints, Times
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.placing.placed import ProbePath
from swathe.station import Axis

__all__ = ["Footprints"]


@dataclass(frozen=True, slots=True)
class Footprints:
    """Where the probes of a carriage are at moments, shape (n,) each.

    Rows and columns are numbered on beyond the grid, also on a circumference.

    Attributes:
        row: the lowest one with a probe.
        rows: how many further rows the highest one is up.
        column: the lowest one.
        columns: as `rows`.
        settled: journal time from which it is known, ns, rising.
    """

    row: Ints
    rows: Ints
    column: Ints
    columns: Ints
    settled: Times

    @classmethod
    def of_cells(cls, cells: Cells, settled: Times, grid: Grid) -> Footprints:
        """Return those of one probe in flat cells, -1 outside the grid."""
        row, column = np.divmod(cells, grid.shape[1])
        none = np.zeros(cells.shape, np.int64)
        return cls(row, none, column, none, settled)

    @classmethod
    def of_paths(cls, paths: Sequence[ProbePath], grid: Grid) -> Footprints:
        """Return those of several probes at the samples of their paths."""
        row, rows = _extent(grid.index, np.stack([path.index for path in paths]))
        column, columns = _extent(grid.scan, np.stack([path.scan for path in paths]))
        return cls(row, rows, column, columns, paths[0].settled)

    def are_near(self, cells: Cells, at: Ints, grid: Grid, margin: int) -> Bools:
        """Return whether each cell is under the carriage, or within `margin` columns of it.

        Args:
            cells: flat cells, shape (n,).
            at: the moment at which each is asked for, shape (n,).
            grid: of the cells.
            margin: cells.
        """
        row, column = np.divmod(cells, grid.shape[1])
        up = row - self.row[at]
        along = column - self.column[at] + margin
        if grid.index.wrapped:
            up = np.mod(up, grid.shape[0])
        if grid.scan.wrapped:
            along = np.mod(along, grid.shape[1])
        near = (up >= 0) & (up <= self.rows[at]) & (along >= 0)
        return np.asarray(near & (along <= self.columns[at] + 2 * margin))

    def rows_within(self, grid: Grid) -> tuple[Cells, Cells]:
        """Return the lowest and the highest row of the grid under the carriage, shape (n,) each.

        -1 where it is outside the grid. On a circumference the highest one may be past the seam.
        """
        if grid.index.wrapped:
            low = np.mod(self.row, grid.shape[0])
            return low, low + np.minimum(self.rows, grid.shape[0] - 1)
        low = np.maximum(self.row, 0)
        high = np.minimum(self.row + self.rows, grid.shape[0] - 1)
        outside = low > high
        return np.where(outside, -1, low), np.where(outside, -1, high)


def _extent(axis: Axis, positions: Floats) -> tuple[Ints, Ints]:
    """Return the lowest cell of the axis, and how many further the highest one is, shape (n,) each.

    Args:
        axis: of the grid.
        positions: of all probes, mm, shape (probes, n).
    """
    offsets = np.floor(axis.offset(np.nan_to_num(positions)))
    low, high = offsets.min(axis=0), offsets.max(axis=0)
    return low.astype(np.int64), (high - low).astype(np.int64)
