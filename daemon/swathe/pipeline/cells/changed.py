"""Where cells changed, for checkpoints and for people who watch."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from swathe.arrays import Cells, distinct, run_starts
from swathe.pipeline.cells.grid import CellUpdate

__all__ = ["ChangedCells"]


class ChangedCells:
    """Collects where cells changed, and passes the cells on.

    Args:
        columns: cells of a row.

    Attributes:
        listener: called with flat cells, shape (n,), whose layers may have changed; a cell may
            occur more than once. It must neither raise nor block.
    """

    def __init__(self, columns: int) -> None:
        self._columns = columns
        self._spans: dict[int, tuple[int, int]] = {}
        self.listener: Callable[[Cells], None] | None = None

    def cells_changed(self, update: CellUpdate) -> None:
        """Add the cells of an update."""
        self.add(update.cells)

    def add(self, cells: Cells) -> None:
        """Add cells that may have changed."""
        if cells.size:
            first, last = int(cells.min()), int(cells.max())
            row, column = divmod(first, self._columns)
            if last < (row + 1) * self._columns:  # one row: the usual case of a probe
                self._widen(row, column, last % self._columns)
            else:
                rows, columns = np.divmod(distinct(cells), self._columns)
                begins = run_starts(rows)
                ends = np.append(begins[1:], rows.size) - 1
                for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
                    self._widen(int(rows[begin]), int(columns[begin]), int(columns[end]))
            if self.listener is not None:
                self.listener(cells)

    def _widen(self, row: int, first: int, last: int) -> None:
        before = self._spans.get(row, (first, last))
        self._spans[row] = min(first, before[0]), max(last, before[1])

    def take_spans(self) -> dict[int, tuple[int, int]]:
        """Return the first and last column of each row between which cells changed since the last call."""
        spans, self._spans = self._spans, {}
        return spans
