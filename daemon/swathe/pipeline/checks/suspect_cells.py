"""What a check of the calibration does to cells that were read: it may put them in doubt."""

from __future__ import annotations

import numpy as np

from swathe.arrays import Cells
from swathe.journal import Mark, MarkKind
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.checks.register import Check, CheckRegister

__all__ = ["SuspectCells"]


class SuspectCells:
    """Keeps the book of checks and makes cells suspect, or measured again, as it says.

    Args:
        grid: the cells.
        coverage: receives the cells that are not measured any more.

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
        """Cells that are suspect now."""
        if all(check.passed for check in self.checks.checks):
            return 0  # without a look at each cell
        return int(np.count_nonzero(self._grid.state == CellState.SUSPECT))

    def take(self, mark: Mark, now: int) -> Cells:
        """Take a mark of a check; return the cells that changed.

        Args:
            mark: of any kind that tells of a check.
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
            case MarkKind.CHECK_OVERRIDDEN:
                return self._override(mark, now)
        return np.empty(0, np.int64)

    def _mark_suspect(self, since: int, now: int) -> Cells:
        grid = self._grid
        cells = np.flatnonzero((grid.state == CellState.MEASURED) & (grid.last_time > since))
        grid.mark_suspect(cells)
        self.checks.add_suspects(cells)
        self._coverage.note_suspect(cells, now)
        return cells

    def _override(self, mark: Mark, now: int) -> Cells:
        number = int(mark.detail["check"])
        cells = self.checks.override(
            number, by=str(mark.detail["by"]), because=str(mark.detail["because"])
        )
        cells = np.asarray(cells[self._grid.state[cells] == CellState.SUSPECT], np.int64)
        self._grid.clear_suspect(cells)
        self._coverage.note_cleared(cells, now)
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
