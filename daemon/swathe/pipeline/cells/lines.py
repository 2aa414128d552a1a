"""When the probe has left a line of the grid.

On a stepped index axis a line is left with the mark of another one. On an encoded axis it is left
once the probe has scanned it, or passed it between two lines that it scanned, and has travelled
along other lines for a while since. Where it is on lines millions of cells away, as in a run that begins
elsewhere on a large plan, it was carried: those in between are missing at the run's end only.

A carriage with several probes is on all lines from its lowest probe to its highest one: none of them
is left while it is there, as another pass may put a probe on those between two probes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, distinct, run_starts, steps_of
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.plan_arrays import PlanArrays, plan_zeros
from swathe.pipeline.placing.placed import ProbePath

__all__ = ["EncodedLines", "LineLeft", "SteppedLines"]

# Travel along the scan axis that makes a stay on a line a scan of it, rather than a crossing.
_LINE_TRAVEL_CELLS = 3
_LINE_TRAVEL_MM = 10.0
# More cells between two lines are not passed by travel. (Our choice, no source.)
_MOST_PASSED_CELLS = 10_000_000
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
        row: the line that the probe scans now, of several the lowest; -1 outside the grid.
    """

    def __init__(self) -> None:
        self.row = 0
        self._highest = 0

    def follow(
        self,
        path: ProbePath,
        rows: Cells,
        _broken: Bools | None = None,
        highest: Cells | None = None,
    ) -> list[LineLeft]:
        """Return the lines that were left along a path; see `EncodedLines.follow`."""
        highest = rows if highest is None else highest
        left: list[LineLeft] = []
        changes = steps_of(rows, self.row).astype(bool) | steps_of(highest, self._highest).astype(
            bool
        )
        for k in np.flatnonzero(changes).tolist():
            low, high = int(rows[k]), int(highest[k])
            gone = (row for row in range(self.row, self._highest + 1) if not low <= row <= high)
            left += [LineLeft(row, int(path.settled[k])) for row in gone]
            self.row, self._highest = low, high
        return left

    def break_off(self) -> None:
        """Do nothing: the line in force is known from its mark."""


class EncodedLines(PlanArrays):
    """Lines of an encoded index axis.

    Args:
        grid: the grid.

    Attributes:
        row: the line that the probe scans now, of several the lowest; -1 before the first.
    """

    def __init__(self, grid: Grid) -> None:
        rows = grid.shape[0]
        self.touched = grid.touched
        self.row = -1
        self._highest = -1
        self._wrapped = grid.index.wrapped
        self._rows = rows
        longest = min(
            max(_LINE_TRAVEL_CELLS * grid.scan.resolution, _LINE_TRAVEL_MM),
            0.5 * grid.scan.cells * grid.scan.resolution,
        )
        self._threshold = round(longest * _NM)
        self._most_passed = max(_MOST_PASSED_CELLS // grid.shape[1], 1)
        self._travel = plan_zeros(rows, np.int64)
        self._visited_at = plan_zeros(rows, np.int64)
        self._total = 0
        self._passed: set[int] = set()  # and not left yet
        self._left = plan_zeros(rows, bool)

    def break_off(self) -> None:
        """Forget the line: the probe may be carried, and does not pass the lines on its path."""
        self.row = self._highest = -1

    def follow(
        self,
        path: ProbePath,
        rows: Cells,
        broken: Bools | None = None,
        highest: Cells | None = None,
    ) -> list[LineLeft]:
        """Return the lines that were left along a path, of n samples.

        Args:
            path: of the probe, or of the datum of several.
            rows: the lowest line under them, -1 outside the grid, shape (n,).
            broken: to which samples the probe may have been carried, shape (n,); to none by default.
            highest: the highest line, on a circumference perhaps past the seam; by default the lowest.
        """
        highest = rows if highest is None else highest
        # A position reset is no travel.
        mm = np.where(path.resets, 0.0, np.abs(steps_of(path.scan, path.scan[0])))
        total = self._total + np.cumsum(np.rint(mm * _NM).astype(np.int64))
        left: list[LineLeft] = []
        begins = run_starts(rows)
        if highest is not rows:
            begins = distinct(np.concatenate((begins, run_starts(highest))))
        if broken is not None and broken.any():
            begins = distinct(np.concatenate((begins, np.flatnonzero(broken))))
        for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), rows.size], strict=True):
            if broken is not None and broken[begin]:
                self.break_off()
            here = int(rows[begin]), int(highest[begin])
            self._follow_stay(here, total[begin:end], path.settled[begin:end], left)
        return left

    def _lines(self, here: tuple[int, int]) -> Cells:
        """Return the lines from the lowest to the highest one; none outside the grid."""
        low, high = here
        return np.arange(low, high + 1) % self._rows if low >= 0 else np.empty(0, np.int64)

    def _follow_stay(
        self,
        here: tuple[int, int],
        total: NDArray[np.int64],
        settled: NDArray[np.int64],
        left: list[LineLeft],
    ) -> None:
        """Follow a stay on the same lines; `total` is the travel at each of its samples, nm."""
        before, self._total = self._total, int(total[-1])
        scanned = total.size
        lines = self._lines(here)
        if lines.size:
            # Lines that it was on before have more; what counts is that it scans all of these.
            travel = int(self._travel[lines].min())
            self._travel[lines] += self._total - before
            self._visited_at[lines] = self._total
            enough = travel + self._total - before >= self._threshold
            if here != (self.row, self._highest) and enough:
                scanned = int(np.searchsorted(total, self._threshold - travel + before))
        self._leave(lines, total[:scanned], settled[:scanned], left)
        if scanned < total.size:
            self._pass_lines(here)
            self.row, self._highest = here
            self._leave(lines, total[scanned:], settled[scanned:], left)

    def _leave(
        self,
        lines: Cells,
        total: NDArray[np.int64],
        settled: NDArray[np.int64],
        left: list[LineLeft],
    ) -> None:
        """Leave the lines that were passed, other than the present ones, once travel suffices."""
        if not total.size or not self._passed:
            return
        present = {*lines.tolist(), *self._lines((self.row, self._highest)).tolist()}
        for other in sorted(self._passed - present):
            enough = int(self._visited_at[other]) + self._threshold
            if total[-1] >= enough:
                known = int(settled[np.searchsorted(total, enough)])
                self._passed.remove(other)
                self._left[other] = True
                left.append(LineLeft(other, known))

    def _pass_lines(self, now: tuple[int, int]) -> None:
        """Add the lines up to those of now as passed, by the shorter path round a pipe."""
        between = self._lines(now)
        if self.row >= 0:
            step, width = now[0] - self.row, now[1] - now[0]
            if self._wrapped and abs(step) > self._rows // 2:
                step -= self._rows if step > 0 else -self._rows
            highest = max(step + width, self._highest - self.row)
            if highest - min(step, 0) <= self._most_passed:
                between = (self.row + np.arange(min(step, 0), highest + 1)) % self._rows
        self._passed.update(between[~self._left[between]].tolist())
