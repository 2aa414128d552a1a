"""What a calibration check does to measured cells: a failed one makes them suspect."""

from __future__ import annotations

import numpy as np

from swathe.arrays import Cells
from swathe.journal import Mark, MarkKind
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.checks.register import Check, CheckRegister

__all__ = ["SuspectCells"]


class SuspectCells:
    """Keeps the register of checks; makes cells suspect, or measured again, by their results.

    Args:
        grid: the cells.
        coverage: notified of cells that are no longer measured, or measured again.

    Attributes:
        checks: the checks, in their order.
    """

    def __init__(self, grid: Grid, coverage: Coverage) -> None:
        self._grid = grid
        self._coverage = coverage
        self.checks = CheckRegister()
        self._changed: dict[int, Check] = {}

    @property
    def in_force(self) -> bool:
        """Whether a check failed and none passed since."""
        return self.checks.failed is not None

    @property
    def count(self) -> int:
        """Cells that are suspect by a failed check now, and not by a slip."""
        if all(check.passed for check in self.checks.checks):
            return 0  # without a search over all cells
        by_check = (self._grid.state == CellState.SUSPECT) & ~self._grid.slipped
        return int(np.count_nonzero(by_check))

    def take(self, mark: Mark, now: int) -> Cells:
        """Apply a mark of a check; return the cells that changed.

        Args:
            mark: of a kind that concerns checks.
            now: its time, ns UTC.
        """
        match mark.kind:
            case MarkKind.CHECK_BEGUN:
                self.checks.begin(mark.detail)
            case MarkKind.CHECK_STEP:
                self.checks.add_step(mark.detail)
            case MarkKind.CHECK_ENDED:
                since = self.checks.last_pass
                check = self.checks.end(now)
                if check is not None:
                    self._changed[check.number] = check
                    if not check.passed:
                        return self._mark_suspect(since or 0, now)
            case MarkKind.CHECK_GIVEN_UP:
                self.checks.abandon()
            case MarkKind.CHECK_OVERRIDDEN:
                return self._override(mark, now)
        return np.empty(0, np.int64)

    def _mark_suspect(self, since: int, now: int) -> Cells:
        grid = self._grid
        cells = np.flatnonzero((grid.state == CellState.MEASURED) & (grid.last_time > since))
        grid.mark_suspect(cells)
        self.checks.add_suspects(cells)
        self._coverage.add_suspect(cells, now)
        return cells

    def _override(self, mark: Mark, now: int) -> Cells:
        number = int(mark.detail["check"])
        by, because = str(mark.detail["by"]), str(mark.detail["because"])
        cells = self.checks.override(number, by=by, because=because)
        by_check = (self._grid.state[cells] == CellState.SUSPECT) & ~self._grid.slipped[cells]
        cells = np.asarray(cells[by_check], np.int64)
        self._grid.clear_suspect(cells)
        self._coverage.clear_suspect(cells, now, by=by, reason=because)
        if 1 <= number <= len(self.checks.checks):
            self._changed[number] = self.checks.checks[number - 1]
        return cells

    def cells_changed(self, update: CellUpdate) -> None:
        """Count cells that readings made suspect while a failed check is in force."""
        if self.in_force:
            now = self._grid.state[update.cells]
            fresh = (now == CellState.SUSPECT) & (update.before != CellState.SUSPECT)
            self.checks.add_suspects(update.cells[fresh])

    def take_changed(self) -> list[Check]:
        """Return the checks that ended or were overridden since the last call."""
        checks = [self._changed[number] for number in sorted(self._changed)]
        self._changed.clear()
        return checks
