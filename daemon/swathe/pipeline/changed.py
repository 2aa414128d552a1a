"""Which cells changed: the rows for the next checkpoint, the cells for those who watch."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["ChangedCells"]

Cells = NDArray[np.int64]


class ChangedCells:
    """Gathers the rows of changed cells, and passes the cells on.

    Args:
        columns: cells of a row.

    Attributes:
        listener: is told flat cells, shape (n,), whose layers may have changed; a cell may be
            among them more than once. It must neither raise nor keep the pipeline waiting.
    """

    def __init__(self, columns: int) -> None:
        self._columns = columns
        self._rows: set[int] = set()
        self.listener: Callable[[Cells], None] | None = None

    def note(self, cells: Cells) -> None:
        """Take note of cells that may have changed."""
        if cells.size:
            self._rows.update(np.unique(cells // self._columns).tolist())
            if self.listener is not None:
                self.listener(cells)

    def take_rows(self) -> list[int]:
        """Return the rows that changed since the last call, rising."""
        rows = sorted(self._rows)
        self._rows.clear()
        return rows
