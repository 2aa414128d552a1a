"""Places thinner than the alert level, each an alarm of its own.

Cells are gathered by blocks of some hundred millimetres: a thin cell joins the alarm of its block
or of a block beside it, or else begins one. The alarm tells the least thickness and the borders of
its cells. A place that gets thinner than somebody has seen is another alarm. (How coarse the blocks are is a choice of ours, no source.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells
from swathe.pipeline.alarms.register import Alarm, AlarmRegister
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.station import AlarmKind

__all__ = ["BelowAlert"]


_BLOCK_MM = 100.0
_AROUND = [(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1)]


@dataclass(slots=True)
class _Place:
    """An alarm's cells, as borders (first and last row and column) and a count."""

    alarm: Alarm
    borders: tuple[int, int, int, int]
    cells: int
    minimum: float


class BelowAlert:
    """Follows the cells below the alert level.

    Args:
        grid: the cells.
        book: where the alarms are raised.
        level: alert level, mm; None for none.
    """

    def __init__(self, grid: Grid, book: AlarmRegister, level: float | None) -> None:
        self._grid = grid
        self._book = book
        self._level = level
        self._owner = np.zeros(grid.state.size if level else 0, np.int32)
        self._places: dict[int, _Place] = {}
        self._of_block: dict[tuple[int, int], int] = {}

    def update(self, cells: Cells, time: int) -> None:
        """Evaluate cells that got readings or were excluded.

        Args:
            cells: flat cells, each once.
            time: ns UTC.
        """
        if self._level is None or not cells.size or AlarmKind.THIN in self._book.settings.off:
            return
        grid = self._grid
        wall = (grid.hits[cells] > 0) & (grid.state[cells] != CellState.EXCLUDED)
        thin = wall & (grid.thickness[cells] < self._level)
        owned = self._owner[cells]
        self._let_go(cells[(owned > 0) & ~thin], time)
        self._deepen(cells[(owned > 0) & thin], time)
        fresh = cells[(owned == 0) & thin]
        if fresh.size:
            self._take_in(fresh, time)

    def _let_go(self, cells: Cells, time: int) -> None:
        for number, count in _counts(self._owner[cells]):
            place = self._places[number]
            place.cells -= count
            if not place.cells:
                self._book.end(place.alarm, time)
                del self._places[number]
                self._of_block = {b: n for b, n in self._of_block.items() if n != number}
        self._owner[cells] = 0

    def _deepen(self, cells: Cells, time: int) -> None:
        for number, _ in _counts(self._owner[cells]):
            minimum = float(self._grid.thickness[cells[self._owner[cells] == number]].min())
            self._note_least(self._places[number], minimum, time)

    def _note_least(self, place: _Place, minimum: float, time: int) -> None:
        if minimum >= place.minimum:
            return
        place.minimum = minimum
        if place.alarm.acknowledged_by:
            self._book.end(place.alarm, time)
            place.alarm = self._book.raise_alarm(AlarmKind.THIN, "", since=time)
        self._tell(place)

    def _take_in(self, cells: Cells, time: int) -> None:
        grid = self._grid
        row, column = np.divmod(cells, grid.shape[1])
        down = (row * grid.index.resolution // _BLOCK_MM).astype(np.int64)
        right = (column * grid.scan.resolution // _BLOCK_MM).astype(np.int64)
        blocks = np.stack((down, right), axis=1)
        for one in np.unique(blocks, axis=0).tolist():
            inside = (blocks == one).all(axis=1)
            self._add((one[0], one[1]), cells[inside], time)

    def _add(self, block: tuple[int, int], cells: Cells, time: int) -> None:
        minimum = float(self._grid.thickness[cells].min())
        row, column = np.divmod(cells, self._grid.shape[1])
        borders = int(row.min()), int(row.max()), int(column.min()), int(column.max())
        known = [(block[0] + d, block[1] + r) for d, r in _AROUND]
        number = next((self._of_block[b] for b in known if b in self._of_block), 0)
        place = self._places.get(number)
        if place is None:
            alarm = self._book.raise_alarm(AlarmKind.THIN, "", since=time)
            number, place = alarm.number, _Place(alarm, borders, 0, minimum)
            self._places[number] = place
        a, b = place.borders, borders
        place.borders = min(a[0], b[0]), max(a[1], b[1]), min(a[2], b[2]), max(a[3], b[3])
        place.cells += int(cells.size)
        self._of_block[block] = number
        self._owner[cells] = number
        self._note_least(place, minimum, time)
        self._tell(place)

    def _tell(self, place: _Place) -> None:
        first_row, last_row, first_column, last_column = place.borders
        alarm, grid = place.alarm, self._grid
        alarm.scan = grid.scan.edges(first_column, last_column)
        alarm.index = grid.index.edges(first_row, last_row)
        alarm.detail = f"{place.minimum:.2f} mm, below {self._level:g} mm"
        self._book.note(alarm)


def _counts(numbers: NDArray[np.int32]) -> list[tuple[int, int]]:
    values, counts = np.unique(numbers, return_counts=True)
    return list(zip(values.tolist(), counts.tolist(), strict=True))
