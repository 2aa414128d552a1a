"""Areas thinner than the alert level, each with an alarm of its own.

Cells are grouped by blocks of 100 mm: a thin cell joins the alarm of its block or of an adjacent
block, or else raises one; a spot of a plan without an encoder has one of its own. The alarm
states the minimum thickness, the cell that has it and the borders of its cells. It is raised by
any valid reading, and says ``to confirm`` where that is doubtful. When an acknowledged area gets
thinner, its alarm ends and another one is raised. (The size of the blocks is our choice, no
source.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Floats, distinct
from swathe.pipeline.alarms.register import Alarm, AlarmRegister
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.cells.plan_arrays import PlanArrays, plan_zeros
from swathe.reading_flags import are_unconfirmed
from swathe.station import AlarmKind, CellRule

__all__ = ["BelowAlert"]

_BLOCK_MM = 100.0
_AROUND = [(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1)]


@dataclass(slots=True)
class _Area:
    """Cells of an alarm.

    Attributes:
        alarm: the alarm.
        borders: first and last row and column.
        cells: how many.
        minimum: lowest thickness that one of them had, mm.
        thinnest: flat cell that had it.
        doubtful: whether its value is doubtful and not confirmed, as the alarm says.
    """

    alarm: Alarm
    borders: tuple[int, int, int, int]
    cells: int
    minimum: float
    thinnest: int
    doubtful: bool = False


class BelowAlert(PlanArrays):
    """Follows the cells below the alert level.

    Args:
        grid: the cells.
        register: where the alarms are raised.
        level: alert level, mm; None for none.
        spots: names of the spots that are the cells; none where they are an area.
    """

    def __init__(
        self,
        grid: Grid,
        register: AlarmRegister,
        level: float | None,
        spots: Sequence[str] = (),
    ) -> None:
        self._spots = spots
        self._grid = grid
        self._register = register
        self._level = level
        self.touched = grid.touched
        self._owner = plan_zeros(grid.state.size if level else 0, np.int32)
        self._areas: dict[int, _Area] = {}
        self._of_block: dict[tuple[int, int], int] = {}
        self._touched: list[Cells] = []

    def add(self, cells: Cells) -> None:
        """Add cells that got readings or were excluded, for the next evaluation."""
        off = self._level is None or AlarmKind.THIN in self._register.settings.off
        if cells.size and not off:
            self._touched.append(cells)

    def due(self, thickness: Floats, cells: Cells) -> NDArray[np.bool_]:
        """Return which readings may raise, change or end an alarm, shape (n,).

        Args:
            thickness: of valid readings, mm, shape (n,).
            cells: flat cell of each, on the grid, shape (n,).
        """
        if self._level is None or AlarmKind.THIN in self._register.settings.off:
            return np.zeros(cells.shape, bool)
        thin = thickness < self._level
        if self._grid.rule in (CellRule.MINIMUM, CellRule.FIRST):
            return np.asarray(thin)
        # By another rule a cell may become thicker again.
        return np.asarray(thin | (self._owner[cells] > 0) | np.isin(cells, cells[thin]))

    def evaluate(self, time: int) -> None:
        """Evaluate the cells added since the last call, at `time` in ns UTC."""
        if self._level is None or not self._touched:
            return
        cells = distinct(np.concatenate(self._touched))
        self._touched.clear()
        grid = self._grid
        wall = (grid.hits[cells] > 0) & (grid.state[cells] != CellState.EXCLUDED)
        thin = wall & (grid.thickness[cells] < self._level)
        owned = self._owner[cells]
        self._remove(cells[(owned > 0) & ~thin], time)
        self._deepen(cells[(owned > 0) & thin], time)
        fresh = cells[(owned == 0) & thin]
        if fresh.size:
            self._add_fresh(fresh, time)

    def _remove(self, cells: Cells, time: int) -> None:
        for number, count in _counts(self._owner[cells]):
            area = self._areas[number]
            area.cells -= count
            if not area.cells:
                self._register.end(area.alarm, time)
                del self._areas[number]
                self._of_block = {b: n for b, n in self._of_block.items() if n != number}
        removed = self._owner[cells]
        self._owner[cells] = 0
        for number, _ in _counts(removed):
            left = self._areas.get(number)
            if left is not None and self._owner[left.thinnest] != number:
                self._find_thinnest(number, left)
                self._describe(left)

    def _deepen(self, cells: Cells, time: int) -> None:
        for number, _ in _counts(self._owner[cells]):
            self._lower_minimum(self._areas[number], cells[self._owner[cells] == number], time)

    def _find_thinnest(self, number: int, area: _Area) -> None:
        """Find the thinnest of an area's cells as they are now."""
        first_row, last_row, first_column, last_column = area.borders
        rows, columns = slice(first_row, last_row + 1), slice(first_column, last_column + 1)
        owner = self._owner.reshape(self._grid.shape)[rows, columns]
        row, column = np.nonzero(owner == number)
        cells = (row + first_row) * self._grid.shape[1] + column + first_column
        area.thinnest = int(cells[np.argmin(self._grid.thickness[cells])])
        area.minimum = float(self._grid.thickness[area.thinnest])

    def _lower_minimum(self, area: _Area, cells: Cells, time: int) -> None:
        """Take the thinnest of some cells if it is thinner than the area was."""
        thinnest = int(cells[np.argmin(self._grid.thickness[cells])])
        minimum = float(self._grid.thickness[thinnest])
        if minimum >= area.minimum:
            return
        area.minimum, area.thinnest = minimum, thinnest
        if area.alarm.acknowledged_by:
            self._register.end(area.alarm, time)
            area.alarm = self._register.raise_alarm(AlarmKind.THIN, "", since=time)
        self._describe(area)

    def _add_fresh(self, cells: Cells, time: int) -> None:
        grid = self._grid
        row, column = np.divmod(cells, grid.shape[1])
        down = (row * grid.index.resolution // _BLOCK_MM).astype(np.int64)
        right = (column * grid.scan.resolution // _BLOCK_MM).astype(np.int64)
        if self._spots:
            right = column * (len(_AROUND) + 1)  # no block is next to another one
        blocks = np.stack((down, right), axis=1)
        for block in np.unique(blocks, axis=0).tolist():
            inside = (blocks == block).all(axis=1)
            self._add((block[0], block[1]), cells[inside], time)

    def _add(self, block: tuple[int, int], cells: Cells, time: int) -> None:
        row, column = np.divmod(cells, self._grid.shape[1])
        borders = int(row.min()), int(row.max()), int(column.min()), int(column.max())
        adjacent = [(block[0] + d, block[1] + r) for d, r in _AROUND]
        number = next((self._of_block[b] for b in adjacent if b in self._of_block), 0)
        area = self._areas.get(number)
        if area is None:
            alarm = self._register.raise_alarm(AlarmKind.THIN, "", since=time)
            thinnest = int(cells[np.argmin(self._grid.thickness[cells])])
            minimum = float(self._grid.thickness[thinnest])
            number, area = alarm.number, _Area(alarm, borders, 0, minimum, thinnest)
            self._areas[number] = area
        a, b = area.borders, borders
        area.borders = min(a[0], b[0]), max(a[1], b[1]), min(a[2], b[2]), max(a[3], b[3])
        area.cells += int(cells.size)
        self._of_block[block] = number
        self._owner[cells] = number
        self._lower_minimum(area, cells, time)
        self._describe(area)

    def _is_doubtful(self, area: _Area) -> bool:
        quality = self._grid.quality[area.thinnest : area.thinnest + 1]
        return bool(are_unconfirmed(quality)[0])

    def confirmations_changed(self) -> None:
        """State of each area whether its minimum is to be confirmed; no alarm begins or ends."""
        for area in self._areas.values():
            if self._is_doubtful(area) is not area.doubtful:
                self._describe(area)

    def _describe(self, area: _Area) -> None:
        first_row, last_row, first_column, last_column = area.borders
        alarm, grid = area.alarm, self._grid
        alarm.scan = grid.scan.edges(first_column, last_column)
        alarm.index = grid.index.edges(first_row, last_row)
        row, column = divmod(area.thinnest, grid.shape[1])
        alarm.minimum_scan = grid.scan.centre(column)
        alarm.minimum_index = grid.index.centre(row)
        name = f"spot {self._spots[area.thinnest]}: " if self._spots else ""
        units, level = self._register.units, self._level or 0.0
        minimum = units.thickness_text(area.minimum)
        alarm.detail = f"{name}{minimum}, below {units.stated_thickness_text(level)}"
        area.doubtful = self._is_doubtful(area)
        if area.doubtful:
            alarm.detail += ", to confirm"
        self._register.add_change(alarm)


def _counts(numbers: NDArray[np.int32]) -> list[tuple[int, int]]:
    values, counts = np.unique(numbers, return_counts=True)
    return list(zip(values.tolist(), counts.tolist(), strict=True))
