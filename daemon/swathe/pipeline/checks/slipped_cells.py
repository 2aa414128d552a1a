"""What a slip does to cells: those read since both sources agreed last are suspect.

Which of the two sources is right nobody knows. So what was read since they agreed last counts no
more, and what is read until the axis is set to a known position again does not count either: by
a mark ``referenced`` or the encoder's index mark. A run that begins after one that ended in good
order begins with a set encoder; one that follows a killed run does not. (Our choice, no source.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Bools, Cells, Times, run_starts
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.placing.slip import Slip

__all__ = ["FoundSlip", "SlippedCells"]

_EVER = int(np.iinfo(np.int64).min)
_NEVER = int(np.iinfo(np.int64).max)


@dataclass(slots=True)
class FoundSlip:
    """A slip and what it did; times in ns UTC, lengths in mm.

    Attributes:
        number: from 1.
        axis: scan or index.
        agreed: when both sources agreed last.
        time: of the sample that shows it.
        position: of the first source then, on its axis.
        distance: by which the first source fell behind the second (below zero) or ran ahead.
        cells: measured cells that it made suspect when it was found.
        later: cells that were read later, and are suspect for want of a known position.
    """

    number: int
    axis: str
    agreed: int
    time: int
    position: float
    distance: float
    cells: int = 0
    later: int = 0


@dataclass(slots=True)
class _Unsound:
    """Readings of one run whose position is unsound: host times in ns, the ends excluded."""

    axis: str
    after: int
    before: int


class SlippedCells:
    """All slips of a survey, and the readings that they make unsound.

    Args:
        grid: the cells.
        coverage: notified of cells that are no longer measured.

    Attributes:
        slips: in the order in which they became known.
    """

    def __init__(self, grid: Grid, coverage: Coverage) -> None:
        self._grid = grid
        self._coverage = coverage
        self.slips: list[FoundSlip] = []
        self._unsound: list[_Unsound] = []

    @property
    def in_force(self) -> bool:
        """Whether an axis has slipped and was not set since."""
        return any(one.before == _NEVER for one in self._unsound)

    @property
    def count(self) -> int:
        """Cells that are suspect by a slip now."""
        if not self.slips:
            return 0  # without a search over all cells
        return int(self._grid.touched.find(lambda cells: self._grid.slipped[cells]).size)

    def open_run(self) -> None:
        """A run begins: host times of an earlier one may be another clock's."""
        self._unsound = [
            _Unsound(one.axis, _EVER, _NEVER) for one in self._unsound if one.before == _NEVER
        ]

    def end_run(self) -> None:
        """A run ended in good order: the next one begins with a set encoder."""
        self._unsound.clear()

    def take(self, slip: Slip, utc_offset: int, now: int) -> Cells:
        """Apply a slip; return the cells that became suspect.

        Args:
            slip: all readings known by now are on the grid.
            utc_offset: ns from host time to UTC.
            now: time in ns UTC.
        """
        grid = self._grid
        found = FoundSlip(
            number=len(self.slips) + 1,
            axis=slip.axis,
            agreed=slip.agreed + utc_offset,
            time=slip.time + utc_offset,
            position=slip.position,
            distance=slip.distance,
        )
        self.slips.append(found)
        if any(one.axis == slip.axis and one.before == _NEVER for one in self._unsound):
            return np.empty(0, np.int64)  # what is read counts for no cell already
        self._unsound.append(_Unsound(slip.axis, slip.agreed, _NEVER))
        since = grid.touched.find(lambda cells: np.asarray(grid.last_time[cells] > found.agreed))
        state = grid.state[since]
        grid.slipped[since[state == CellState.SUSPECT]] = True
        cells: Cells = since[state == CellState.MEASURED]
        grid.mark_suspect(cells, slipped=True)
        self._coverage.add_suspect(cells, now)
        found.cells = int(cells.size)
        return cells

    def set_position(self, axis: str, time: int) -> None:
        """Count what is read at `time`, ns, or later again: the axis was set to a position."""
        for one in self._unsound:
            if one.axis == axis and one.before == _NEVER:
                one.before = time

    def unsound(self, times: Times) -> Bools | None:
        """Return which readings have an unsound position, by host times in ns; None for none."""
        if not self._unsound:
            return None
        found = np.zeros(times.shape, bool)
        for one in self._unsound:
            found |= (times > one.after) & (times < one.before)
        return found if found.any() else None

    def pieces(self, times: Times) -> Iterator[tuple[slice, bool]]:
        """Yield the readings in pieces, in their order, and whether they are unsound.

        Args:
            times: of the readings, host times in ns, shape (n,).
        """
        found = self.unsound(times)
        if found is None:
            yield slice(0, times.size), False
            return
        starts = run_starts(found.astype(np.int64))
        for begin, end in zip(starts.tolist(), [*starts[1:].tolist(), times.size], strict=True):
            yield slice(begin, end), bool(found[begin])

    def cells_read(self, update: CellUpdate) -> None:
        """Note the cells that unsound readings have made suspect."""
        cells = update.cells
        suspect = self._grid.state[cells] == CellState.SUSPECT
        self._grid.slipped[cells[suspect]] = True
        newest = self.slips[-1]
        newest.later += int(np.count_nonzero(suspect & (update.before != CellState.SUSPECT)))
