"""The minimum thickness of a survey, updated without a search over all cells."""

from __future__ import annotations

import numpy as np

from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid

__all__ = ["MinimumThickness"]


class MinimumThickness:
    """Follows the cell with the minimum thickness.

    Args:
        grid: the cells.

    Attributes:
        value: mm; None before the first reading.
        cell: its flat cell; -1 before.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self.value: float | None = None
        self.cell = -1

    @property
    def position(self) -> tuple[float, float] | None:
        """Its (scan, index) position, mm; None before the first reading."""
        if self.value is None:
            return None
        row, column = divmod(self.cell, self._grid.shape[1])
        return float(self._grid.scan.centres[column]), float(self._grid.index.centres[row])

    def cells_changed(self, update: CellUpdate) -> None:
        """Compare the cells of an update with the minimum."""
        grid, cells = self._grid, update.cells
        gone = self.value is not None and (
            grid.state[self.cell] == CellState.EXCLUDED or not grid.hits[self.cell]
        )
        if gone or (self.value is not None and grid.thickness[self.cell] > self.value):
            # By a rule other than the minimum, or after a failed check, the thinnest cell may
            # have been read thicker since; or its zone was excluded, or its readings were discarded.
            cells = np.arange(grid.state.size)
            self.value = None
        wall = (grid.hits[cells] > 0) & (grid.state[cells] != CellState.EXCLUDED)
        cells = cells[wall]
        if cells.size:
            minimum = int(cells[np.argmin(grid.thickness[cells])])
            found = (float(grid.thickness[minimum]), minimum)
            # Of equal cells the first one of the grid, whichever was read first.
            if self.value is None or found < (self.value, self.cell):
                self.value, self.cell = found
