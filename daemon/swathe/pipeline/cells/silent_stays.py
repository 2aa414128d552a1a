"""Cells that are said to have no signal because the gauge was silent, and what withdraws that.

Such a cell rests on the absence of readings. Where these prove to have come late, or to have been lost
on the way, that is no evidence any more: a reading was taken there that is placed nowhere, or it may
have been taken and could not be read, or the probe was too fast for one. What rests on a reading without an
echo, or on one that is lost by its number, is not followed: nothing withdraws it.

What holds at an instant does not depend on the order in which stays, readings and doubts of one instant
are given.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Ints, Times, distinct, steps_of
from swathe.pipeline.cells.crossed import CrossedCells
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.placing.doubts import NO_DOUBTS, Doubts

__all__ = ["SilentStays"]

_MOST_LATE_NS = 60_000_000_000
"""Bytes that come later withdraw nothing. (Our choice, no source.)"""
_OPEN = int(np.iinfo(np.int64).max)
_MARGIN_NS = 1_000_000_000


class SilentStays:
    """Follows the stays of silent probes through one run.

    Args:
        grid: the cells.
        kept_ns: how long after a doubt stays may come that were settled before it.
    """

    def __init__(self, grid: Grid, kept_ns: int = 0) -> None:
        self._grid = grid
        self._kept_ns = kept_ns
        # Each stay; a cell may have several.
        self._cells: Cells = np.empty(0, np.int64)
        self._times: Times = np.empty(0, np.int64)
        self._since: Times = np.empty(0, np.int64)
        self._until: Times = np.empty(0, np.int64)  # `_OPEN` while the probe is in the cell
        self._settled: Times = np.empty(0, np.int64)
        self._probe: Ints = np.empty(0, np.int64)
        self._beneath: NDArray[np.uint8] = np.empty(0, np.uint8)  # what is left without the stay
        self._last_cell: dict[int, int] = {}  # of each probe
        self._doubts = NO_DOUBTS
        self._applied = 0  # how many doubts are
        self._fresh = False  # whether there are stays to which no doubt was applied

    def __len__(self) -> int:
        """Return how many stays are followed."""
        return int(self._cells.size)

    def doubt(self, doubts: Doubts) -> None:
        """Take spans that are to be applied once they are known."""
        if doubts.known.size:
            self._doubts = Doubts.joined((self._doubts, doubts))

    @property
    def due(self) -> Times:
        """Journal times of the doubts that are not applied yet, ns, rising."""
        return self._doubts.known[self._applied :]

    def pass_through(self, stays: CrossedCells) -> None:
        """Give cells the state and the marks that stays of a probe in them leave."""
        grid = self._grid
        inside = stays.cells >= 0
        known = stays.entered & stays.known
        uncertain = stays.uncertain | stays.unplaced | stays.unread
        rests = known & stays.silent & ~uncertain
        until, silent = self._ends(stays)[rests], stays[rests]
        before = grid.state[silent.cells]
        grid.pass_over(
            stays.cells[known], stays.silent[known], uncertain[known], stays.probe[known]
        )
        for layer, here in ((grid.unplaced, stays.unplaced), (grid.unread, stays.unread)):
            if here.any():
                cells = stays.cells[here & inside]
                grid.touched.add(cells)
                layer[cells] = True
        # Also in a cell that was entered with an earlier piece of the path.
        lost = stays.cells[stays.lost & inside & (known | ~stays.entered)]
        grid.lose(lost)
        if silent.cells.size:
            self._follow(silent, until, before)
        if self._cells.size:
            self.rests_on_more(lost)
            self._raise(stays.cells[known & uncertain], CellState.UNCERTAIN)
            self._raise(stays.cells[known & ~uncertain & ~stays.silent], CellState.SKIPPED)

    def _ends(self, stays: CrossedCells) -> Times:
        """Return when each stay ends, ns, and end those before; `_OPEN` while that is not known.

        A piece of the path may begin in the cell in which the one before ended: that is one stay.
        """
        ends = np.full(stays.cells.shape, _OPEN)
        for number in distinct(stays.probe.astype(np.int64)).tolist():
            rows = np.flatnonzero(stays.probe == number)
            cells = stays.cells[rows]
            begins = rows[steps_of(cells, self._last_cell.get(number, -1)) != 0]
            self._last_cell[number] = int(cells[-1])
            if begins.size:
                since = np.append(stays.since[begins], _OPEN)
                self._until[(self._probe == number) & (self._until == _OPEN)] = since[0]
                ends[rows] = since[np.searchsorted(begins, rows, side="right")]
        return ends

    def _follow(self, silent: CrossedCells, until: Times, before: NDArray[np.uint8]) -> None:
        """Follow stays in cells whose state was `before` them, unless that rests on more."""
        newest = int(silent.settled[-1])
        if self._cells.size and self._settled[0] < newest - _MOST_LATE_NS - _MARGIN_NS:
            self.rests_on_more(self._cells[self._settled < newest - _MOST_LATE_NS - _MARGIN_NS])
        rows = (before < CellState.NO_SIGNAL) | np.isin(silent.cells, self._cells)
        beneath = np.where(before < CellState.NO_SIGNAL, before, CellState.UNVISITED)[rows]
        self._cells = np.concatenate((self._cells, silent.cells[rows]))
        self._times = np.concatenate((self._times, silent.time[rows]))
        self._since = np.concatenate((self._since, silent.since[rows]))
        self._until = np.concatenate((self._until, until[rows]))
        self._settled = np.concatenate((self._settled, silent.settled[rows]))
        self._probe = np.concatenate((self._probe, silent.probe[rows].astype(np.int64)))
        self._beneath = np.concatenate((self._beneath, beneath.astype(np.uint8)))
        self._fresh = True

    def rests_on_more(self, cells: Cells) -> None:
        """Take note that the state of some cells rests on more than silence from now on."""
        if cells.size and self._cells.size:
            self._keep(~np.isin(self._cells, cells))

    def _raise(self, cells: Cells, state: CellState) -> None:
        rows = np.isin(self._cells, cells)
        self._beneath[rows] = np.maximum(self._beneath[rows], np.uint8(state))

    def _keep(self, rows: Bools) -> None:
        for name in ("_cells", "_times", "_since", "_until", "_settled", "_probe", "_beneath"):
            setattr(self, name, getattr(self, name)[rows])

    def apply(self, now: int, *, fresh: bool = True) -> Cells:
        """Take away what the doubts known at the journal time `now`, ns, do not bear.

        All that is known by then is on the grid.

        Args:
            now: ns.
            fresh: whether doubts that were applied before concern the stays that came since.

        Returns:
            cells that have no signal no more, each once.
        """
        count = int(np.searchsorted(self._doubts.known, now, side="right"))
        if count == 0 or (count == self._applied and not (fresh and self._fresh)):
            self._forget(now)
            return self._cells[:0]
        self._applied, self._fresh = count, False
        doubt = self._doubt_of_stays(count)
        doubted = doubt >= 0
        if not doubted.any():
            self._forget(now)
            return self._cells[:0]
        grid, at, doubts = self._grid, self._cells[doubted], self._doubts[doubt[doubted]]
        since, until = self._since[doubted], self._until[doubted]
        taken = ~doubts.unread & ((doubts.begin >= since) | (doubts.end < until))
        # Of those that were measured since, it depends on the batches whether their stays are followed.
        without = grid.state[at] == CellState.NO_SIGNAL
        grid.unread[at[doubts.unread & without]] = True
        grid.unplaced[at[taken & without]] = True
        self._raise(at[doubts.unread | taken], CellState.UNCERTAIN)
        self._raise(at[~(doubts.unread | taken)], CellState.SKIPPED)
        cells = distinct(at)
        beneath = np.zeros(cells.shape, np.uint8)
        np.maximum.at(beneath, np.searchsorted(cells, at), self._beneath[doubted])
        free = ~np.isin(cells, self._cells[~doubted]) & (grid.state[cells] == CellState.NO_SIGNAL)
        grid.state[cells[free]] = beneath[free]
        self._keep(~doubted)
        self._forget(now)
        return np.asarray(cells[free])

    def _doubt_of_stays(self, count: int) -> Ints:
        """Return which of the first `count` doubts applies to each stay, -1 for none."""
        found = np.full(self._cells.shape, -1)
        for number in distinct(self._probe).tolist():
            rows = np.flatnonzero(self._probe == number)
            spans = np.flatnonzero(self._doubts.probe[:count] == number)
            if not spans.size:
                continue
            spans = spans[np.argsort(self._doubts.end[spans], kind="stable")]
            times = self._times[rows]
            after = np.searchsorted(self._doubts.end[spans], times)
            span = spans[np.minimum(after, spans.size - 1)]
            within = (self._doubts.begin[span] < times) & (times <= self._doubts.end[span])
            within &= self._settled[rows] >= self._doubts.known[span] - _MOST_LATE_NS
            found[rows[within]] = span[within]
        return found

    def _forget(self, now: int) -> None:
        gone = int(np.searchsorted(self._doubts.known, now - self._kept_ns, side="right"))
        if gone:
            self._doubts = self._doubts[np.arange(gone, self._doubts.known.size)]
            self._applied -= gone
