"""The revisions in force, applied to placed readings and to the probe's path.

A discarded stretch is as if the survey had been paused there: its readings count for no cell and no
path leads across it. A moved one has another line's index position. Whether a reading or a sample
belongs to a stretch follows from its own time and position alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from swathe.arrays import Bools, Floats, Times, steps_of
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.pipeline.revisions import Revision

__all__ = ["AppliedRevisions"]


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

    def readings(self, number: int) -> int | None:
        """Return how many readings a revision has taken so far; None if it is not applied."""
        return self._readings.get(number)

    def placed(self, placed: Placed, utc_offset: int) -> Placed:
        """Return the readings that are left, each on its line.

        Args:
            placed: readings, none of which was given before.
            utc_offset: from their times to UTC, ns.
        """
        for one in self.revisions:
            times = placed.readings["time"]
            if not times.size:
                break
            meant = self._among(one, times + utc_offset, placed.scan, placed.index)
            if meant is None:
                continue
            self._readings[one.number] += int(np.count_nonzero(meant))
            if one.to_line is None:
                placed = placed[~meant]
            else:
                placed = replace(placed, index=self._moved(one.to_line, meant, placed.index))
        return placed

    def unplaced(self, times: Times) -> Bools:
        """Return which readings without a position were discarded, shape as `times`, ns UTC.

        Only by their times: on which line they are, and where, is not known.
        """
        discarded = np.zeros(times.shape, bool)
        for one in self.revisions:
            if one.kind == "discard" and one.line is None and one.scan is None:
                discarded |= _in_time(one, times)
        return discarded

    def path(self, path: ProbePath, utc_offset: int) -> tuple[ProbePath | None, Bools | None]:
        """Return the path that is left, None without any, and to which of its samples none leads.

        Args:
            path: a piece, whose first sample is the last one of the piece before.
            utc_offset: from its times to UTC, ns.
        """
        left: ProbePath | None = path
        broken: Bools | None = None
        for one in self.revisions:
            if left is None:
                break
            times = left.time + utc_offset
            if not self._may_meet(one, times):
                continue
            meant = self._on_stretch(one, times, left.scan, left.index)
            # Of a stretch between two samples neither is in it.
            cut = self._crosses(one, times, left) & ~meant
            cut[1:] &= ~meant[:-1]
            if one.to_line is not None:
                index = self._moved(one.to_line, meant, left.index)
                # As behind the mark of a line: between two lines the probe is carried over.
                known = left.known & (steps_of(index, index[0]) == 0)
                left = replace(left, index=index, known=known)
                meant = np.zeros(meant.shape, bool)
            else:
                cut[1:] |= meant[:-1]
            kept = ~meant
            broken = (cut if broken is None else broken | cut)[kept]
            left = left.without(meant, cut)
        return left, broken

    def _among(self, one: Revision, times: Times, scan: Floats, index: Floats) -> Bools | None:
        """Return which readings are in the stretch of a revision; None where none is."""
        if not self._may_meet(one, times):
            return None
        meant = self._on_stretch(one, times, scan, index)
        return meant if meant.any() else None

    def _may_meet(self, one: Revision, times: Times) -> bool:
        """Return whether a stretch reaches into the span of `times`, ns UTC, at least one."""
        begins_in_time = one.begin is None or int(times.max()) >= one.begin
        return begins_in_time and int(times.min()) < one.end

    def _on_stretch(self, one: Revision, times: Times, scan: Floats, index: Floats) -> Bools:
        """Return whether each time, ns UTC, and position is in the stretch, shape (n,)."""
        meant = _in_time(one, times)
        if one.line is not None:
            meant &= self._grid.index.cell(index) == one.line
        if one.scan is not None:
            low, high = one.scan
            if self._grid.scan.wrapped:
                meant &= np.mod(scan - low, self._round) <= high - low
            else:
                meant &= (scan >= low) & (scan <= high)
        return meant

    def _crosses(self, one: Revision, times: Times, path: ProbePath) -> Bools:
        """Return whether the path to each sample may lead across the stretch, shape (n,).

        The first sample has no path before it in this piece.
        """
        crosses = np.zeros(times.shape, bool)
        inside = times[:-1] < one.end
        if one.begin is not None:
            inside &= times[1:] >= one.begin
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


def _in_time(one: Revision, times: Times) -> Bools:
    """Return whether each time, ns UTC, is in the stretch's."""
    inside = times < one.end
    if one.begin is not None:
        inside &= times >= one.begin
    return np.asarray(inside)
