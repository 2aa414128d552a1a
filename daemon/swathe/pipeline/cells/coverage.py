"""Coverage: which required cells the probe has left behind, and which of those are missing.

A cell is left behind when the probe crossed it (or passed it while its position was unknown) and is
now more than a cell away; and when its line is left: on a stepped index axis by the next line's
mark, on an encoded one when the probe has travelled along other lines for a while. Cells ahead of
the probe are not missing yet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells
from swathe.pipeline.cells.crossed import CrossedCells
from swathe.pipeline.cells.gaps import GapEnd, GapRegister
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.placing.placer import ProbePath

__all__ = ["Coverage"]


# A probe at rest in a cell may rock into the next one; two cells away, it has left.
_NEAR_CELLS = 1
# Travel along the scan axis that makes a stay on a line a scan of it, rather than a crossing.
_LINE_TRAVEL_CELLS = 3
_LINE_TRAVEL_MM = 10.0


class Coverage:
    """Follows the probe over the grid and keeps the register of gaps.

    Args:
        grid: the grid; excluded cells are known to it already.
        stepped: whether marks rather than an encoder give the line.
    """

    def __init__(self, grid: Grid, *, stepped: bool) -> None:
        self._grid = grid
        self._stepped = stepped
        self.gaps = GapRegister(grid)
        self.required = int(np.count_nonzero(grid.state != CellState.EXCLUDED))
        self.measured = 0
        self._left = np.zeros(grid.state.shape, bool)
        self._behind: list[Cells] = []
        self._touched: list[Cells] = []
        self._closed_out: Cells = np.empty(0, np.int64)
        self.probe_cell = -1
        rows = grid.shape[0]
        self._threshold = min(
            max(_LINE_TRAVEL_CELLS * grid.scan.resolution, _LINE_TRAVEL_MM),
            0.5 * grid.scan.cells * grid.scan.resolution,
        )
        self._travel = np.zeros(rows)
        self._travel_total = 0.0
        self._visited_at = np.zeros(rows)
        self._passed = np.zeros(rows, bool)
        self._done = np.zeros(rows, bool)
        self._row = 0 if stepped else -1
        self._dirty_rows: set[int] = set()
        self._measured_in_row = np.zeros(rows, np.int64)
        states = grid.state.reshape(grid.shape)
        self.required_in_row = np.count_nonzero(states != CellState.EXCLUDED, axis=1)

    @property
    def percent(self) -> float:
        """Measured share of the required cells; 100 when none is required."""
        return 100.0 * self.measured / self.required if self.required else 100.0

    @property
    def row(self) -> int:
        """The line that the probe scans now; -1 before the first."""
        return self._row

    def measured_in_row(self, row: int) -> int:
        """Return how many cells of a line are measured."""
        return int(self._measured_in_row[row])

    def line_done(self, row: int) -> bool:
        """Return whether the probe has left the line."""
        return bool(self._done[row])

    def cells_changed(self, update: CellUpdate) -> None:
        """Count the cells that readings made measured."""
        now = self._grid.state[update.cells]
        measured, before = now == CellState.MEASURED, update.before == CellState.MEASURED
        fresh = update.cells[measured & ~before]
        if fresh.size:
            self._count(fresh, 1)
            self._touched.append(fresh)

    def _count(self, cells: Cells, sign: int) -> None:
        """Count cells, each given once, as measured (1) or as no longer measured (-1)."""
        self.measured += sign * int(cells.size)
        rows, counts = np.unique(cells // self._grid.shape[1], return_counts=True)
        self._measured_in_row[rows] += sign * counts
        self._dirty_rows.update(rows.tolist())

    def add_suspect(self, cells: Cells, time: int) -> None:
        """Count measured cells, rising, that became suspect; those left behind join gaps."""
        self._count(cells, -1)
        self.gaps.add(cells[self._left[cells]], time)

    def clear_suspect(self, cells: Cells, time: int) -> None:
        """Count suspect cells that an overridden check makes measured again."""
        self._count(cells, 1)
        self.gaps.remove(cells, time, GapEnd.OVERRIDDEN)

    def exclude(self, cells: Cells, time: int) -> None:
        """Count required cells, rising, that are excluded from now on."""
        grid = self._grid
        self._count(cells[grid.state[cells] == CellState.MEASURED], -1)
        self.required -= int(cells.size)
        rows, counts = np.unique(cells // grid.shape[1], return_counts=True)
        self.required_in_row[rows] -= counts
        self._dirty_rows.update(rows.tolist())
        self.gaps.remove(cells, time, GapEnd.EXCLUDED)

    def break_off(self) -> None:
        """Forget the line: the probe may be carried, and does not pass the lines on its path."""
        if not self._stepped:
            self._row = -1

    def add_path(self, path: ProbePath, crossed: CrossedCells) -> None:
        """Follow a piece of the probe's path and the cells that it crossed."""
        if crossed.cells.size:
            self._behind.append(crossed.cells)
        at = self._grid.cells_at(path.scan[-1:], path.index[-1:])
        self.probe_cell = int(at[0])
        row = self._grid.index.cell(path.index)
        if not self._stepped:
            self._follow_lines(path, row)
            return
        for k in row[np.flatnonzero(np.diff(row, prepend=self._row))].tolist():
            self._leave_line(self._row)
            self._row = k

    def _follow_lines(self, path: ProbePath, row: NDArray[np.int64]) -> None:
        # A position reset is no travel.
        step = np.where(path.resets, 0.0, np.abs(np.diff(path.scan, prepend=path.scan[0])))
        total = self._travel_total + np.cumsum(step)
        self._travel_total = float(total[-1])
        inside = row >= 0
        np.add.at(self._travel, row[inside], step[inside])
        np.maximum.at(self._visited_at, row[inside], total[inside])
        entered = row[inside][np.flatnonzero(np.diff(row[inside], prepend=-1))]
        for k in entered.tolist():
            if self._travel[k] >= self._threshold and k != self._row:
                self._pass_lines(self._row, k)
                self._row = k

    def _pass_lines(self, before: int, now: int) -> None:
        """Mark the lines from `before` to `now` as passed, by the shorter path round a pipe."""
        if before < 0:
            self._passed[now] = True
            return
        rows = self._grid.shape[0]
        step = now - before
        if self._grid.index.wrapped and abs(step) > rows // 2:
            step -= rows if step > 0 else -rows
        between = before + np.arange(min(step, 0), max(step, 0) + 1)
        self._passed[between % rows] = True

    def _leave_line(self, row: int) -> None:
        if row >= 0 and not self._done[row]:  # a line outside the plan has no cells
            self._done[row] = True
            columns = self._grid.shape[1]
            self._behind.append(np.arange(row * columns, (row + 1) * columns))
            self._dirty_rows.add(row)

    def evaluate(self, time: int) -> None:
        """Update the register of gaps; `time` in ns UTC."""
        if not self._stepped:
            away = self._travel_total - self._visited_at >= self._threshold
            done = self._passed & ~self._done & away
            if self._row >= 0:
                done[self._row] = False
            for row in np.flatnonzero(done).tolist():
                self._leave_line(row)
        if self._touched:
            self.gaps.remove(np.concatenate(self._touched), time, GapEnd.MEASURED)
            self._touched.clear()
        if self._behind:
            cells = np.unique(np.concatenate(self._behind))
            near = self._near_probe(cells)
            self._behind = [cells[near]] if near.any() else []
            self._leave(cells[~near], time)

    def _near_probe(self, cells: Cells) -> NDArray[np.bool_]:
        if self.probe_cell < 0:
            return np.zeros(cells.shape, bool)
        columns = self._grid.shape[1]
        distance = np.abs(cells % columns - self.probe_cell % columns)
        if self._grid.scan.wrapped:
            distance = np.minimum(distance, columns - distance)
        same_row = cells // columns == self.probe_cell // columns
        return np.asarray(same_row & (distance <= _NEAR_CELLS))

    def _leave(self, cells: Cells, time: int) -> None:
        cells = cells[~self._left[cells]]
        self._left[cells] = True
        self._dirty_rows.update(np.unique(cells // self._grid.shape[1]).tolist())
        self.gaps.add(cells[self._grid.missing(cells)], time)

    def take_dirty_lines(self) -> list[int]:
        """Return the lines that were left and have changed since the last call."""
        lines = sorted(row for row in self._dirty_rows if self._done[row])
        self._dirty_rows.difference_update(lines)
        return lines

    def close_out(self, time: int) -> None:
        """End a run: every required cell that is not measured is missing."""
        self.evaluate(time)
        todo = self._grid.missing(slice(None)) & ~self._left
        self._closed_out = np.flatnonzero(todo)
        self._behind.clear()
        self._leave(self._closed_out, time)
        self._left[:] = True  # the probe has left the measured ones as well

    def reopen(self, time: int) -> None:
        """Resume the survey: cells that the probe had not reached are no gap any more."""
        cells = self._closed_out
        self._left[cells] = False
        self.gaps.remove(cells, time, GapEnd.WITHDRAWN)
        self._closed_out = np.empty(0, np.int64)
