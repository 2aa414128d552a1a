"""The revisions in force, applied to placed readings and to the probe's path.

A discarded stretch is as if the survey had been paused there: its readings count for no cell and no
path leads across it. A moved one has another line's index position. Whether a reading or a sample
belongs to a stretch follows from its own time and position alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from swathe.arrays import Bools, Floats, Times, steps_of
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.pipeline.revisions import Revision

__all__ = ["AppliedRevisions"]


class _Stretch(NamedTuple):
    """A revision as it applies to the present run; host times, ns, None without a limit."""

    revision: Revision
    begin: int | None
    end: int | None

    def holds(self, times: Times) -> Bools:
        """Return whether each host time is in the stretch's, shape as `times`."""
        inside = np.ones(times.shape, bool)
        if self.begin is not None:
            inside &= times >= self.begin
        if self.end is not None:
            inside &= times < self.end
        return inside

    def may_meet(self, times: Times) -> bool:
        """Return whether the stretch reaches into the span of some host times."""
        if self.begin is not None and int(times.max()) < self.begin:
            return False
        return self.end is None or int(times.min()) < self.end


class AppliedRevisions:
    """Discards and moves readings and path.

    Args:
        revisions: in force, in their order.
        grid: of the survey.

    Attributes:
        revisions: as given.
    """

    def __init__(self, revisions: Iterable[Revision], grid: Grid) -> None:
        self.revisions = tuple(revisions)
        self._grid = grid
        self._readings = {one.number: 0 for one in self.revisions}
        self._stretches: list[_Stretch] = []

    def open_run(self, run: int, utc_offset: int) -> None:
        """Begin to take readings and path of a run.

        Args:
            run: its number, from 1, of all that the journal holds.
            utc_offset: from its host times to UTC, ns.
        """
        self._stretches.clear()
        for one in self.revisions:
            if (times := one.times_in(run)) is not None:
                begin, end = (None if at is None else at - utc_offset for at in times)
                self._stretches.append(_Stretch(one, begin, end))

    def readings(self, number: int) -> int | None:
        """Return how many readings a revision has taken so far; None if it is not applied."""
        return self._readings.get(number)

    def placed(self, placed: Placed) -> Placed:
        """Return the readings that are left, each on its line; none of them was given before."""
        for stretch in self._stretches:
            times = placed.readings["time"]
            if not times.size:
                break
            if not stretch.may_meet(times):
                continue
            meant = self._are_meant(stretch, times, placed.scan, placed.index)
            if not meant.any():
                continue
            one = stretch.revision
            self._readings[one.number] += int(np.count_nonzero(meant))
            if one.to_line is None:
                placed = placed[~meant]
            else:
                placed = replace(placed, index=self._moved(one.to_line, meant, placed.index))
        return placed

    def unplaced(self, times: Times) -> Bools:
        """Return which readings without a position were discarded, shape as `times`, host ns.

        Only by their times: on which line they are, and where, is not known.
        """
        discarded = np.zeros(times.shape, bool)
        for stretch in self._stretches:
            one = stretch.revision
            if one.to_line is None and one.line is None and one.scan is None:
                discarded |= stretch.holds(times)
        return discarded

    def path(self, path: ProbePath) -> tuple[ProbePath | None, Bools | None]:
        """Return the path that is left, None without any, and to which of its samples none leads.

        Args:
            path: a piece, whose first sample is the last one of the piece before.
        """
        left: ProbePath | None = path
        broken: Bools | None = None
        for stretch in self._stretches:
            if left is None:
                break
            if not stretch.may_meet(left.time):
                continue
            meant = self._are_meant(stretch, left.time, left.scan, left.index)
            # Of a stretch between two samples neither is in it.
            cut = self._crosses(stretch, left) & ~meant
            cut[1:] &= ~meant[:-1]
            if (to_line := stretch.revision.to_line) is not None:
                index = self._moved(to_line, meant, left.index)
                # As behind the mark of a line: between two lines the probe is carried over.
                known = left.known & (steps_of(index, index[0]) == 0)
                left = replace(left, index=index, known=known)
                meant = np.zeros(meant.shape, bool)
            else:
                cut[1:] |= meant[:-1]
            broken = (cut if broken is None else broken | cut)[~meant]
            left = left.without(meant, cut)
        return left, broken

    def _are_meant(self, stretch: _Stretch, times: Times, scan: Floats, index: Floats) -> Bools:
        """Return whether each host time, ns, and position is in the stretch, shape (n,)."""
        meant, one = stretch.holds(times), stretch.revision
        if one.line is not None:
            meant &= self._grid.index.cell(index) == one.line
        if one.scan is not None:
            low, high = one.scan
            if self._grid.scan.wrapped:
                meant &= np.mod(scan - low, self._round) <= high - low
            else:
                meant &= (scan >= low) & (scan <= high)
        return meant

    def _crosses(self, stretch: _Stretch, path: ProbePath) -> Bools:
        """Return whether the path to each sample may lead across the stretch, shape (n,).

        The first sample has no path before it in this piece.
        """
        one = stretch.revision
        crosses = np.zeros(path.time.shape, bool)
        inside = np.ones(path.time.size - 1, bool)
        if stretch.end is not None:
            inside &= path.time[:-1] < stretch.end
        if stretch.begin is not None:
            inside &= path.time[1:] >= stretch.begin
        if one.line is not None:
            rows = self._grid.index.cell(path.index)
            between = np.minimum(rows[:-1], rows[1:]) <= one.line
            inside &= between & (np.maximum(rows[:-1], rows[1:]) >= one.line)
        if one.scan is not None:
            low, high = one.scan
            first = np.minimum(path.scan[:-1], path.scan[1:])
            length = np.abs(path.scan[1:] - path.scan[:-1])
            if self._grid.scan.wrapped:
                behind = np.mod(first - low, self._round)
                inside &= (behind <= high - low) | (behind + length >= self._round)
            else:
                inside &= (first <= high) & (first + length >= low)
        crosses[1:] = inside
        return crosses

    @property
    def _round(self) -> float:
        """Length of a wrapped scan axis, mm."""
        return self._grid.scan.cells * self._grid.scan.resolution

    def _moved(self, line: int, meant: Bools, index: Floats) -> Floats:
        """Return index positions, of which those that are meant are on another line, mm."""
        axis = self._grid.index
        return np.where(meant, axis.start + line * axis.resolution, index)
