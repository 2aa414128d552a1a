"""What a calibration check does to measured cells: a failed one makes them suspect."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Ints
from swathe.journal import Mark, MarkKind
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.checks.register import Check, CheckRegister
from swathe.pipeline.checks.slipped_cells import SlippedCells

__all__ = ["SuspectCells", "measures_nothing"]


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
        """Whether a check of some probe failed and it passed none since."""
        return bool(self.checks.failed)

    def suspect_readings(self, readings: NDArray[Any]) -> bool | Bools:
        """Return which readings are of a probe whose failed check is in force.

        Args:
            readings: dtype `READING`, shape (n,).

        Returns:
            Shape (n,); or for all of them alike.
        """
        if not self.in_force:
            return False
        if not self._grid.shares.has_several:
            return True
        failed = np.zeros(256, bool)
        failed[list(self.checks.failed)] = True
        return np.asarray(failed[readings["probe"]])

    def without(self, lost: frozenset[int], probes: int) -> frozenset[int]:
        """Return the probes that measure nothing now while others do; none where none does.

        Args:
            lost: those that have no echo while others have some.
            probes: how many there are.

        Returns:
            Those, and those whose failed check is in force.
        """
        without = lost | frozenset(self.checks.failed)
        return without if len(without) < probes else frozenset()

    def count_by_probe(self, probes: int) -> Ints:
        """Return how many cells are suspect by a failed check of each probe, shape (probes,)."""
        if all(check.passed for check in self.checks.checks):
            return np.zeros(probes, np.int64)
        by_check = self._suspect_by_check()
        return np.bincount(self._grid.probe[by_check], minlength=probes)[:probes]

    @property
    def count(self) -> int:
        """Cells that are suspect by a failed check now, and not by a slip."""
        if all(check.passed for check in self.checks.checks):
            return 0  # without a search
        return int(self._suspect_by_check().size)

    def _suspect_by_check(self) -> Cells:
        """Return the cells that are suspect by a failed check and not by a slip, rising."""
        grid = self._grid
        return grid.touched.find(
            lambda cells: (grid.state[cells] == CellState.SUSPECT) & ~grid.slipped[cells]
        )

    def take(self, mark: Mark, now: int) -> Cells:
        """Apply a mark of a check; return the cells that changed.

        Args:
            mark: of a kind that concerns checks.
            now: its time, ns UTC.
        """
        stays_off = bool(mark.detail.get("off_part"))
        match mark.kind:
            case MarkKind.CHECK_BEGUN:
                self.checks.begin(mark.detail)
            case MarkKind.CHECK_STEP:
                self.checks.add_step(mark.detail)
            case MarkKind.CHECK_ENDED:
                check = self.checks.end(now, stays_off=stays_off)
                if check is not None:
                    self._changed[check.number] = check
                    if not check.passed:
                        return self._mark_suspect(check, now)
            case MarkKind.CHECK_GIVEN_UP:
                if mark.detail.get("skipped"):
                    self.checks.skip(now)
                self.checks.abandon(stays_off=stays_off)
            case MarkKind.CHECK_OVERRIDDEN:
                return self._override(mark, now)
        return np.empty(0, np.int64)

    def _mark_suspect(self, check: Check, now: int) -> Cells:
        grid = self._grid
        since = self.checks.last_passes.get(check.probe, 0)

        def concerns(cells: Cells) -> Bools:
            rests, times = grid.shares.of(cells, check.probe)
            return np.asarray((grid.state[cells] == CellState.MEASURED) & rests & (times > since))

        cells = grid.touched.find(concerns)
        grid.mark_suspect(cells)
        check.suspects += int(cells.size)
        self._coverage.add_suspect(cells, now)
        return cells

    def _override(self, mark: Mark, now: int) -> Cells:
        number = int(mark.detail["check"])
        by, because = str(mark.detail["by"]), str(mark.detail["because"])
        check = self.checks.override(number, by=by, because=because)
        if check is None:
            return np.empty(0, np.int64)
        self._changed[number] = check
        cells = self._no_more_suspect()
        self._grid.clear_suspect(cells)
        self._coverage.clear_suspect(cells, now, by=by, reason=because)
        return cells

    def _no_more_suspect(self) -> Cells:
        """Return the suspect cells that no failed check that counts is next to."""
        grid = self._grid
        cells = self._suspect_by_check()
        suspect = np.zeros(cells.shape, bool)
        for probe in {check.probe for check in self.checks.checks if not check.passed}:
            rests, times = grid.shares.of(cells, probe)
            suspect |= rests & self.checks.are_suspect(times, probe)
        return np.asarray(cells[~suspect], np.int64)

    def cells_changed(self, update: CellUpdate) -> None:
        """Count cells that readings made suspect while a failed check is in force."""
        if not self.in_force:
            return
        if self._grid.shares.has_several:
            for probe in self._grid.shares.take_fresh().tolist():
                if probe in self.checks.failed:
                    self.checks.failed[probe].suspects += 1
            return
        now = self._grid.state[update.cells]
        fresh = (now == CellState.SUSPECT) & (update.before != CellState.SUSPECT)
        self.checks.failed[0].suspects += int(np.count_nonzero(fresh))

    def take_changed(self) -> list[Check]:
        """Return the checks that ended or were overridden since the last call."""
        checks = [self._changed[number] for number in sorted(self._changed)]
        self._changed.clear()
        return checks


def measures_nothing(
    readings: NDArray[Any], suspect_cells: SuspectCells, slipped_cells: SlippedCells
) -> Bools | None:
    """Return which readings are suspect, by a check or a slip, shape (n,); None where none is.

    Args:
        readings: dtype `READING`, shape (n,), with host times.
        suspect_cells: the calibration checks.
        slipped_cells: the slips.
    """
    suspect = suspect_cells.suspect_readings(readings)
    unsound = slipped_cells.unsound(readings["time"])
    if isinstance(suspect, bool):
        return np.ones(readings.shape, bool) if suspect else unsound
    return suspect if unsound is None else suspect | unsound
