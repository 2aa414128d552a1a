"""When the probe has left a line of the grid.

On a stepped index axis a line is left with the mark of another one. On an encoded axis it is left
once the probe has scanned it, or passed it between two lines that it scanned, and has travelled
along other lines for a while since.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, distinct, run_starts, steps_of
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.placing.placed import ProbePath

__all__ = ["EncodedLines", "LineLeft", "SteppedLines"]

# Travel along the scan axis that makes a stay on a line a scan of it, rather than a crossing.
_LINE_TRAVEL_CELLS = 3
_LINE_TRAVEL_MM = 10.0
# Travel is summed in whole nanometres, so that no sum depends on where it was cut.
_NM = 1e6


@dataclass(frozen=True, slots=True)
class LineLeft:
    """A line that the probe has left.

    Attributes:
        row: the line.
        known: journal time from which that is known, ns.
    """

    row: int
    known: int


class SteppedLines:
    """Lines of a stepped index axis.

    Attributes:
        row: the line that the probe scans now; -1 outside the grid.
    """

    def __init__(self) -> None:
        self.row = 0

    def follow(self, path: ProbePath, rows: Cells, _broken: Bools | None = None) -> list[LineLeft]:
        """Return the lines that were left along a path on `rows`, shape (n,)."""
        left: list[LineLeft] = []
        for k in np.flatnonzero(steps_of(rows, self.row)).tolist():
            left.append(LineLeft(self.row, int(path.settled[k])))
            self.row = int(rows[k])
        return left

    def break_off(self) -> None:
        """Do nothing: the line in force is known from its mark."""


class EncodedLines:
    """Lines of an encoded index axis.

    Args:
        grid: the grid.

    Attributes:
        row: the line that the probe scans now; -1 before the first.
    """

    def __init__(self, grid: Grid) -> None:
        rows = grid.shape[0]
        self.row = -1
        self._wrapped = grid.index.wrapped
        self._rows = rows
        longest = min(
            max(_LINE_TRAVEL_CELLS * grid.scan.resolution, _LINE_TRAVEL_MM),
            0.5 * grid.scan.cells * grid.scan.resolution,
        )
        self._threshold = round(longest * _NM)
        self._travel = np.zeros(rows, np.int64)
        self._visited_at = np.zeros(rows, np.int64)
        self._total = 0
        self._passed: set[int] = set()  # and not left yet
        self._left = np.zeros(rows, bool)

    def break_off(self) -> None:
        """Forget the line: the probe may be carried, and does not pass the lines on its path."""
        self.row = -1

    def follow(self, path: ProbePath, rows: Cells, broken: Bools | None = None) -> list[LineLeft]:
        """Return the lines that were left along a path on `rows`, shape (n,).

        To the samples where `broken`, shape (n,), the probe may have been carried.
        """
        # A position reset is no travel.
        mm = np.where(path.resets, 0.0, np.abs(steps_of(path.scan, path.scan[0])))
        total = self._total + np.cumsum(np.rint(mm * _NM).astype(np.int64))
        left: list[LineLeft] = []
        begins = run_starts(rows)
        if broken is not None and broken.any():
            begins = distinct(np.concatenate((begins, np.flatnonzero(broken))))
        for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), rows.size], strict=True):
            if broken is not None and broken[begin]:
                self.break_off()
            self._follow_stay(int(rows[begin]), total[begin:end], path.settled[begin:end], left)
        return left

    def _follow_stay(
        self,
        row: int,
        total: NDArray[np.int64],
        settled: NDArray[np.int64],
        left: list[LineLeft],
    ) -> None:
        """Follow a stay on one line; `total` is the travel at each of its samples, nm."""
        before, self._total = self._total, int(total[-1])
        scanned = total.size
        if row >= 0:
            travel = int(self._travel[row])
            self._travel[row] = travel + self._total - before
            self._visited_at[row] = self._total
            if row != self.row and self._travel[row] >= self._threshold:
                scanned = int(np.searchsorted(total, self._threshold - travel + before))
        self._leave(row, total[:scanned], settled[:scanned], left)
        if scanned < total.size:
            self._pass_lines(self.row, row)
            self.row = row
            self._leave(row, total[scanned:], settled[scanned:], left)

    def _leave(
        self,
        row: int,
        total: NDArray[np.int64],
        settled: NDArray[np.int64],
        left: list[LineLeft],
    ) -> None:
        """Leave the lines that were passed, other than the present ones, once travel suffices."""
        if not total.size:
            return
        for other in sorted(self._passed - {row, self.row}):
            enough = int(self._visited_at[other]) + self._threshold
            if total[-1] >= enough:
                known = int(settled[np.searchsorted(total, enough)])
                self._passed.remove(other)
                self._left[other] = True
                left.append(LineLeft(other, known))

    def _pass_lines(self, before: int, now: int) -> None:
        """Add the lines from `before` to `now` as passed, by the shorter path round a pipe."""
        if before < 0:
            between = np.array([now])
        else:
            step = now - before
            if self._wrapped and abs(step) > self._rows // 2:
                step -= self._rows if step > 0 else -self._rows
            between = (before + np.arange(min(step, 0), max(step, 0) + 1)) % self._rows
        self._passed.update(between[~self._left[between]].tolist())
