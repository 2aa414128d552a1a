"""Coverage: which required cells the probe has left behind, and which of those are missing.

A cell is left behind when the probe crossed it (or passed it while its position was unknown) and is
now more than a cell away; of several probes, when it is behind all of them. And when its line is left. Cells ahead of the probe are not missing yet,
nor are those that a raster under way is still to scan.

What the probe left behind is known from a journal time on; gaps open and close at instants.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Times, distinct
from swathe.pipeline.cells.crossed import CrossedCells
from swathe.pipeline.cells.footprint import Footprints
from swathe.pipeline.cells.gaps import GapEnd, GapRegister
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.cells.lines import EncodedLines, SteppedLines
from swathe.pipeline.cells.plan_arrays import PlanArrays, plan_zeros
from swathe.pipeline.cells.planned import PLACED_WITHIN_NS, PlannedCells
from swathe.pipeline.cells.unvisited import MOST_LISTED, Runs, unvisited_runs
from swathe.pipeline.instants import instant_of
from swathe.pipeline.placing.placed import ProbePath
from swathe.pipeline.placing.track import NEVER_KNOWN

__all__ = ["Coverage"]


# A probe at rest in a cell may rock into the next one; two cells away, it has left.
_NEAR_CELLS = 1
# Stays that are compared one after the other for all cells at once, before each cell by itself.
_STEPS_AT_ONCE = 8


class Coverage(PlanArrays):
    """Follows the probe over the grid and keeps the register of gaps.

    Args:
        grid: the grid; excluded cells are known to it already.
        stepped: whether marks rather than an encoder give the line.

    Attributes:
        gaps: the gaps.
        planned: what a raster under way is still to scan, which is no gap.
        required: number of required cells.
        measured: number of them that are measured.
        probe_cell: flat cell of the probe; -1 outside the grid and before the first position.
    """

    def __init__(self, grid: Grid, *, stepped: bool) -> None:
        self._grid = grid
        self.gaps = GapRegister(grid)
        self.planned = PlannedCells(grid)
        self.touched = grid.touched
        self.required = grid.state.size - int(grid.excluded_in_row.sum())
        self.measured = 0
        self.probe_cell = -1
        self._lines = SteppedLines() if stepped else EncodedLines(grid)
        self._left = plan_zeros(grid.state.size, bool)
        self._ended = False  # and all cells count as left behind
        # Crossed, and still near the probe.
        self._near: Cells = np.empty(0, np.int64)
        # Left behind, from a journal time on that no evaluation has reached.
        self._leaving: Cells = np.empty(0, np.int64)
        self._leaving_known: Times = np.empty(0, np.int64)
        self._leaving_passed: Bools = np.empty(0, bool)  # whether the probe was in the cell
        self._touched: list[Cells] = []
        self._restated: list[Cells] = []
        self._closed_out: Cells = np.empty(0, np.int64)
        self._done = plan_zeros(grid.shape[0], bool)
        self._dirty_rows: set[int] = set()
        self._measured_in_row = plan_zeros(grid.shape[0], np.int64)

    @property
    def percent(self) -> float:
        """Measured share of the required cells; 100 when none is required."""
        return 100.0 * self.measured / self.required if self.required else 100.0

    @property
    def row(self) -> int:
        """The line that the probe scans now; -1 before the first."""
        return self._lines.row

    def has_left(self, cell: int) -> bool:
        """Return whether the probe had left a flat cell behind at the last evaluation."""
        return self._ended or bool(self._left[cell])

    @property
    def required_in_row(self) -> Cells:
        """How many cells of each line are required, shape (lines,)."""
        return np.asarray(self._grid.shape[1] - self._grid.excluded_in_row)

    def done_lines(self) -> list[int]:
        """Return the lines that the probe has left, rising."""
        return list(np.flatnonzero(self._done).tolist())

    def measured_in_row(self, row: int) -> int:
        """Return how many cells of a line are measured."""
        return int(self._measured_in_row[row])

    def missing_in_rows(self) -> Cells:
        """Return how many required cells of each line are not measured, shape (lines,)."""
        return np.asarray(self.required_in_row - self._measured_in_row)

    def line_done(self, row: int) -> bool:
        """Return whether the probe has left the line."""
        return bool(self._done[row])

    def cells_changed(self, update: CellUpdate) -> None:
        """Count the cells that readings made measured."""
        now = self._grid.state[update.cells]
        measured, before = now == CellState.MEASURED, update.before == CellState.MEASURED
        self.restate(update.cells[(now != update.before) & ~measured])
        fresh = update.cells[measured & ~before]
        if fresh.size:
            self._count(fresh, 1)
            self._touched.append(fresh)

    def restate(self, cells: Cells) -> None:
        """Take cells whose state changed, and with it the cause of a gap that they may belong to."""
        if cells.size:
            self._restated.append(cells)

    def describe_restated(self) -> None:
        """Let the gaps with such cells be described again; at marks and whole seconds only.

        What is evaluated at an instant in between depends on how the journal is cut into batches.
        """
        if self._restated:
            self.gaps.touch(np.concatenate(self._restated))
            self._restated.clear()

    def _count(self, cells: Cells, sign: int) -> None:
        """Count cells, each given once, as measured (1) or as no longer measured (-1)."""
        self.measured += sign * int(cells.size)
        rows, counts = np.unique(cells // self._grid.shape[1], return_counts=True)
        self._measured_in_row[rows] += sign * counts
        self._dirty_rows.update(rows.tolist())

    def add_suspect(self, cells: Cells, time: int) -> None:
        """Count measured cells, rising, that are no more; those left behind join gaps."""
        self._count(cells, -1)
        self.gaps.add(cells[self._are_left(cells)], time)

    def clear_suspect(self, cells: Cells, time: int, *, by: str = "", reason: str = "") -> None:
        """Count suspect cells that a check, overridden by whom and why, makes measured again."""
        self._count(cells, 1)
        self.gaps.remove(cells, time, GapEnd.OVERRIDDEN, by=by, reason=reason)

    def exclude(self, cells: Cells, time: int, *, by: str = "", reason: str = "") -> None:
        """Count required cells, rising, that are excluded from now on, by whom and why."""
        grid = self._grid
        self._count(cells[grid.state[cells] == CellState.MEASURED], -1)
        self.required -= int(cells.size)
        rows, counts = np.unique(cells // grid.shape[1], return_counts=True)
        grid.excluded_in_row[rows] += counts
        self._dirty_rows.update(rows.tolist())
        self.gaps.remove(cells, time, GapEnd.EXCLUDED, by=by, reason=reason)

    def include(self, cells: Cells, time: int) -> None:
        """Count cells, rising, that were excluded and are required again, and are not measured."""
        grid = self._grid
        self.required += int(cells.size)
        rows, counts = np.unique(cells // grid.shape[1], return_counts=True)
        grid.excluded_in_row[rows] -= counts
        self._dirty_rows.update(rows.tolist())
        self.gaps.add(cells[self._are_left(cells)], time)

    def _are_left(self, cells: Cells) -> Bools:
        return np.asarray(self._left[cells] | self._ended)

    def break_off(self) -> None:
        """Forget the line: the probe may be carried, and does not pass the lines on its path."""
        self._lines.break_off()

    def add_path(
        self, path: ProbePath, crossed: CrossedCells, broken: NDArray[np.bool_] | None = None
    ) -> None:
        """Follow a piece of the probe's path and its stays in cells.

        Args:
            path: the piece.
            crossed: its stays.
            broken: to which samples the probe may have been carried, as after `break_off`; to none
                by default.
        """
        self.add_paths(path, (crossed,), (path,), broken)

    def add_paths(
        self,
        path: ProbePath,
        crossed: Sequence[CrossedCells],
        paths: Sequence[ProbePath],
        broken: NDArray[np.bool_] | None = None,
    ) -> None:
        """Follow a piece of a carriage's path and the stays of its probes in cells.

        Args:
            path: of its datum.
            crossed: the stays of each probe.
            paths: of each probe.
            broken: as for `add_path`.
        """
        grid, highest = self._grid, None
        if len(crossed) == 1:
            cells, settled = crossed[0].cells, crossed[0].settled
            footprints = Footprints.of_cells(cells, settled, grid)
            begins = [np.arange(1, cells.size + 1)]
            rows = grid.index.cell(paths[0].index)
        else:
            footprints = Footprints.of_paths(paths, grid)
            begins = [one.sample for one in crossed]
            rows, highest = footprints.rows_within(grid)
        self._leave_crossed(crossed, begins, footprints)
        self.probe_cell = int(crossed[0].cells[-1])
        columns = grid.shape[1]
        lines: dict[int, int] = {}
        for line in self._lines.follow(path, rows, broken, highest):
            if line.row >= 0 and not self._done[line.row]:  # outside the plan there are no cells
                self._done[line.row] = True
                self._dirty_rows.add(line.row)
                lines[line.row] = line.known
        if lines:
            cells = np.array([*lines])[:, np.newaxis] * columns + np.arange(columns)
            known = np.repeat(np.array([*lines.values()], np.int64), columns)
            self._add_leaving(cells.ravel(), known, passed=False)

    def _add_leaving(self, cells: Cells, known: Times, *, passed: bool) -> None:
        here = ~self._left[cells]
        count = int(np.count_nonzero(here))
        self._leaving = np.concatenate((self._leaving, cells[here]))
        self._leaving_known = np.concatenate((self._leaving_known, known[here]))
        self._leaving_passed = np.concatenate((self._leaving_passed, np.full(count, passed)))

    def plan_raster(self, detail: Mapping[str, Any], time: int) -> None:
        """Take the stretches of a raster, of a mark at the journal time `time`, ns."""
        self._give_back(self.planned.plan(detail), time)

    def begin_stretch(self, number: int, time: int) -> None:
        """Begin a stretch of the raster at the journal time `time`, ns."""
        self._give_back(self.planned.begin(number), time)

    def _give_back(self, cells: Cells, time: int) -> None:
        """Leave cells behind that are to do no more, once all that was read there has come."""
        known = np.full(cells.shape, time + PLACED_WITHIN_NS)
        self._add_leaving(cells, known, passed=True)

    def _leave_crossed(
        self,
        crossed: Sequence[CrossedCells],
        begins: Sequence[Cells],
        footprints: Footprints,
    ) -> None:
        """Find the crossed cells that the probes are away from, and since when.

        Args:
            crossed: the stays of each probe.
            begins: from which of the footprints on each stay's cell may be left, of each probe.
            footprints: where the probes are.
        """
        entered = [one.entered for one in crossed]
        cells = np.concatenate(
            [self._near, *(one.cells[here] for one, here in zip(crossed, entered, strict=True))]
        )
        begin = np.concatenate(
            [
                np.zeros(self._near.shape, np.int64),
                *(one[here] for one, here in zip(begins, entered, strict=True)),
            ]
        )
        fresh = ~self._left[cells]
        cells, first = np.unique(cells[fresh], return_index=True)
        away = self._first_away(cells, begin[fresh][first], footprints)
        left = away < footprints.row.size
        self._near = cells[~left]
        self._add_leaving(cells[left], footprints.settled[away[left]], passed=True)

    def _first_away(self, cells: Cells, begin: Cells, footprints: Footprints) -> Cells:
        """Return the first of the footprints, from `begin` on, that is away from each of `cells`.

        Their number where there is none; shape as `cells`.
        """
        away, size, grid = begin.copy(), footprints.row.size, self._grid
        waiting = np.flatnonzero(away < size)
        for _ in range(_STEPS_AT_ONCE):
            if not waiting.size:
                return away
            near = footprints.are_near(cells[waiting], away[waiting], grid, _NEAR_CELLS)
            waiting = waiting[near]
            away[waiting] += 1
            waiting = waiting[away[waiting] < size]
        for k in waiting.tolist():  # few: the probe rocks to and fro
            rest = np.arange(away[k], size)
            far = ~footprints.are_near(np.full(rest.shape, cells[k]), rest, grid, _NEAR_CELLS)
            away[k] += int(np.argmax(far)) if far.any() else far.size
        return away

    def due(self, cells: Cells, known: Times) -> Times:
        """Return the instants at which a gap opens, grows or shrinks, ns, in any order.

        Args:
            cells: flat cells that become measured, each once, rising, shape (n,).
            known: journal times from which they are measured, ns, shape (n,).
        """
        measured = instant_of(known)
        missing = self._grid.missing(self._leaving)
        leaving, left = self._leaving[missing], instant_of(self._leaving_known[missing])
        if cells.size and leaving.size:
            at = np.minimum(np.searchsorted(cells, leaving), cells.size - 1)
            measured_then = np.where(cells[at] == leaving, measured[at], NEVER_KNOWN)
            opens = measured_then > left
            closes = measured_then[opens & (measured_then < NEVER_KNOWN)]
        else:
            opens, closes = np.ones(left.shape, bool), left[:0]
        return np.concatenate((left[opens], closes, measured[self.gaps.holds(cells)]))

    def evaluate(self, until: int, time: int) -> None:
        """Update the register of gaps.

        Args:
            until: the journal time, ns.
            time: the same in ns UTC.
        """
        if self._touched:
            self.gaps.remove(np.concatenate(self._touched), time, GapEnd.MEASURED)
            self._touched.clear()
        if self._leaving.size:
            now = self._leaving_known <= until
            cells, passed = self._leaving[now], self._leaving_passed[now]
            self._leaving, self._leaving_known = self._leaving[~now], self._leaving_known[~now]
            self._leaving_passed = self._leaving_passed[~now]
            self._leave(distinct(cells[~self.planned.hold(cells, passed)]), time)

    def _leave(self, cells: Cells, time: int) -> None:
        cells = cells[~self._left[cells]]
        if not cells.size:
            return
        self.touched.add(cells)
        self._left[cells] = True
        self._dirty_rows.update(distinct(cells // self._grid.shape[1]).tolist())
        self.gaps.add(cells[self._grid.missing(cells)], time)

    def take_dirty_lines(self) -> list[int]:
        """Return the lines that were left and have changed since the last call."""
        lines = sorted(row for row in self._dirty_rows if self._done[row])
        self._dirty_rows.difference_update(lines)
        return lines

    def close_out(self, until: int, time: int) -> None:
        """End a run: every required cell that is not measured is missing.

        Args:
            until: the journal time, ns.
            time: the same in ns UTC.
        """
        self.evaluate(until, time)
        grid, left = self._grid, self._left
        reached = grid.touched.find(lambda cells: ~left[cells])
        missing = grid.missing(reached)
        left[reached[~missing]] = True  # the probe has left the measured ones as well
        todo, never = reached[missing], unvisited_runs(grid)
        if never.size <= MOST_LISTED:
            todo, never = np.sort(np.concatenate((todo, never.cells()))), Runs.none()
        self._near = self._leaving = np.empty(0, np.int64)
        self._leaving_known = np.empty(0, np.int64)
        self._leaving_passed = np.empty(0, bool)
        self.planned.forget()
        self._closed_out = todo
        if never.size:
            self.gaps.add_unvisited(todo, never, time)
        else:
            self._leave(todo, time)
        self._ended = True

    def reopen(self, time: int) -> None:
        """Resume the survey: cells that the probe had not reached are no gap any more."""
        self.planned.forget()  # of a run that was killed
        cells = self._closed_out
        self._ended = False
        self._left[cells] = False
        self.gaps.reopen(cells, time)
        self._closed_out = np.empty(0, np.int64)
