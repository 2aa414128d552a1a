"""The minimum thickness of a survey, confirmed and raw, updated without a search over all cells.

The confirmed one is the minimum of the cells whose values are not doubtful, or were confirmed
(`swathe.reading_flags.are_unconfirmed`); the raw one is that of all cells that were read. Both follow
from the grid's state alone.
"""

from __future__ import annotations

import math

import numpy as np

from swathe.arrays import Cells, distinct
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.reading_flags import are_unconfirmed

__all__ = ["MinimumThickness"]

_BLOCK = 1024
_FIRST_BLOCKS = 64


class MinimumThickness:
    """Follows the cells with the minimum thickness; of equal cells the first one of the grid.

    Args:
        grid: the cells.

    Attributes:
        value: confirmed minimum, mm; None without one.
        cell: its flat cell; -1 without one.
        raw_value: minimum of all cells, mm; None before the first reading.
        raw_cell: its flat cell; -1 before.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        # Of each block of cells that was read: minimum, and the cell that has it; confirmed and raw.
        self._place: dict[int, int] = {}  # in these arrays, by block
        self._lowest = np.full((2, _FIRST_BLOCKS), np.inf)
        self._cells = np.full((2, _FIRST_BLOCKS), -1, np.int64)
        self.value: float | None = None
        self.cell = -1
        self.raw_value: float | None = None
        self.raw_cell = -1

    @property
    def position(self) -> tuple[float, float] | None:
        """The (scan, index) position of the confirmed minimum, mm; None without one."""
        return None if self.value is None else self._position(self.cell)

    @property
    def raw_position(self) -> tuple[float, float] | None:
        """The (scan, index) position of the raw minimum, mm; None before the first reading."""
        return None if self.raw_value is None else self._position(self.raw_cell)

    @property
    def is_confirmed(self) -> bool:
        """Whether the raw minimum is the confirmed one."""
        return self.cell == self.raw_cell

    def _position(self, cell: int) -> tuple[float, float]:
        row, column = divmod(cell, self._grid.shape[1])
        return self._grid.scan.centre(column), self._grid.index.centre(row)

    def cells_changed(self, cells: Cells) -> None:
        """Take cells whose thickness, state or flags changed, in any order, shape (n,)."""
        if not cells.size:
            return
        for block in distinct(cells // _BLOCK).tolist():
            self._find(block)
        (self.value, self.cell), (self.raw_value, self.raw_cell) = (
            self._minimum(kind) for kind in (0, 1)
        )

    def _find(self, block: int) -> None:
        """Find the minima of a block."""
        grid, first = self._grid, block * _BLOCK
        place = self._place.setdefault(block, len(self._place))
        if place == self._lowest.shape[1]:
            self._lowest = np.concatenate(
                (self._lowest, np.full_like(self._lowest, np.inf)), axis=1
            )
            self._cells = np.concatenate((self._cells, np.full_like(self._cells, -1)), axis=1)
        cells = slice(first, first + _BLOCK)
        read = (grid.hits[cells] > 0) & (grid.state[cells] != CellState.EXCLUDED)
        raw = np.where(read, grid.thickness[cells], np.inf)
        confirmed = np.where(are_unconfirmed(grid.quality[cells]), np.inf, raw)
        for kind, values in enumerate((confirmed, raw)):
            at = int(np.argmin(values))
            self._lowest[kind, place] = values[at]
            self._cells[kind, place] = first + at

    def _minimum(self, kind: int) -> tuple[float | None, int]:
        lowest = self._lowest[kind]
        value = float(lowest.min())
        if not math.isfinite(value):
            return None, -1
        return value, int(self._cells[kind, lowest == value].min())
