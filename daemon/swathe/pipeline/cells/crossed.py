"""The cells that the probe crosses along its path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import steps_of
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.placing.placed import ProbePath

__all__ = ["UNCERTAIN_CELLS", "CrossedCells", "cross_cells"]

# Points per cell along the path. With two, no cell that is crossed over its full width is missed.
_POINTS_PER_CELL = 2
UNCERTAIN_CELLS: Final = 0.5
"""A reading that may be off by so much of a cell may be one of the next cell."""


@dataclass(frozen=True, slots=True)
class CrossedCells:
    """The stays of probes in cells, in their order, shape (n,) each.

    Attributes:
        cells: flat cells, -1 outside the grid; of one probe no two consecutive ones are equal.
        entered: whether the probe entered a cell of the grid with the stay.
        silent: whether the gauge sent nothing there, or a reading is lost.
        lost: whether a reading is lost that would have been taken during the stay.
        uncertain: whether the times of the readings are too uncertain to say whether one was taken
            there: as far as half a cell off.
        unplaced: whether a reading was taken during the stay that is placed nowhere, as where the samples
            around it came too late.
        unread: whether the gauge may have sent a reading there that could not be read: its bytes were
            damaged, or its port was away.
        known: False where the probe must have passed but the samples are too far apart; such
            cells are left behind without a change of state.
        settled: journal time from which all readings up to the stay are in, ns, rising.
        sample: number of the sample of the path towards which, or at which, the stay begins.
        probe: number of the probe.
        time: of that sample, ns.
        since: when the probe came into the cell, by its path between the samples, ns.
    """

    cells: NDArray[np.int64]
    entered: NDArray[np.bool_]
    silent: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    uncertain: NDArray[np.bool_]
    unplaced: NDArray[np.bool_]
    unread: NDArray[np.bool_]
    known: NDArray[np.bool_]
    settled: NDArray[np.int64]
    sample: NDArray[np.int64]
    probe: NDArray[np.uint8]
    time: NDArray[np.int64]
    since: NDArray[np.int64]

    def __getitem__(self, rows: slice | NDArray[np.bool_] | NDArray[np.int64]) -> CrossedCells:
        """Return some of the stays."""
        return CrossedCells(**{name: getattr(self, name)[rows] for name in _COLUMNS})

    @staticmethod
    def joined(parts: Sequence[CrossedCells]) -> CrossedCells:
        """Return the stays of several probes along one path, by the time from which they are known."""
        if len(parts) == 1:
            return parts[0]
        columns = {
            name: np.concatenate([getattr(part, name) for part in parts]) for name in _COLUMNS
        }
        return CrossedCells(**columns)[np.argsort(columns["settled"], kind="stable")]


_COLUMNS = tuple(column.name for column in fields(CrossedCells))


def cross_cells(path: ProbePath, grid: Grid, last_cell: int, probe: int = 0) -> CrossedCells:
    """Return the stays of a probe along `path`; one that continues in `last_cell` is not entered again."""
    # Segment i ends on sample i; the first segment is the first sample by itself.
    scan_from = np.concatenate((path.scan[:1], path.scan[:-1]))
    index_from = np.concatenate((path.index[:1], path.index[:-1]))
    columns = np.abs(path.scan - scan_from) / grid.scan.resolution
    rows = np.abs(path.index - index_from) / grid.index.resolution
    steps = np.maximum(np.ceil(np.maximum(columns, rows) * _POINTS_PER_CELL), 1)
    # Twice the grid's length between two samples (a glitch, a counter that was reset) is no travel.
    far = (columns > 2 * grid.scan.cells) | (rows > 2 * grid.index.cells)
    jump = (~path.known & (rows >= 1)) | far | path.resets
    steps = np.where(jump, 1, steps).astype(np.int64)

    segment = np.repeat(np.arange(steps.size), steps)
    # Point j of m is at (j + 1) / m of its segment: the last one is the sample itself.
    number = np.arange(segment.size) - np.repeat(np.cumsum(steps) - steps, steps) + 1
    share = number / steps[segment]
    scan = scan_from[segment] + (path.scan - scan_from)[segment] * share
    index = index_from[segment] + (path.index - index_from)[segment] * share
    cells = grid.cells_at(scan, index)
    known = path.known[segment] | (number == steps[segment])
    begins = np.flatnonzero(cells[1:] != cells[:-1]) + 1
    stays = np.concatenate(([0], begins))  # each stay in a cell begins at one of these points
    # A stay is known if any of its points is: a sample has the probe in that cell.
    known = np.logical_or.reduceat(known, stays)
    cells, at = cells[stays], segment[stays]
    entered = cells >= 0
    entered[0] &= cells[0] != last_cell
    resolution = np.array([grid.scan.resolution, grid.index.resolution])
    uncertain = np.asarray((path.blur[at] >= UNCERTAIN_CELLS * resolution).any(axis=1))
    unplaced = _taken_in(path, path.unplaced, segment, share, stays) & ~uncertain
    unread = path.may_be_unread[at] & ~unplaced
    sure = ~(uncertain | unplaced | unread)
    lost = _taken_in(path, path.lost, segment, share, stays) & sure
    silent = (path.silent[at] & sure) | lost
    settled = path.settled[at]
    ahead = steps_of(path.time, path.time[0])[at] * (1 - share[stays])
    since = path.time[at] - ahead.astype(np.int64)
    return CrossedCells(
        cells, entered, silent, lost, uncertain, unplaced, unread, known, settled,
        at, np.full(cells.shape, probe, np.uint8), path.time[at], since,
    )  # fmt: skip


def _taken_in(
    path: ProbePath,
    gone: NDArray[np.int64],
    segment: NDArray[np.int64],
    share: NDArray[np.float64],
    stays: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Return whether some readings were, or would have been, taken during each stay.

    Args:
        path: of the probe.
        gone: times of readings, ns, rising.
        segment: that each point is in, shape (m,).
        share: of the segment at the point, shape (m,).
        stays: number of the first point of each stay, shape (n,).
    """
    found = np.zeros(stays.shape, bool)
    gone = gone[(gone > path.time[0]) & (gone <= path.time[-1])]
    towards = np.searchsorted(path.time, gone)
    # Where no path is known, as over a pause, nobody knows in which cell.
    gone = gone[path.known[towards] & ~path.resets[towards]]
    if gone.size:
        spans = path.time - np.concatenate((path.time[:1], path.time[:-1]))
        times = (path.time - spans)[segment] + spans[segment] * share
        point = np.searchsorted(times, gone, side="right") - 1
        found[np.searchsorted(stays, point, side="right") - 1] = True
    return found
