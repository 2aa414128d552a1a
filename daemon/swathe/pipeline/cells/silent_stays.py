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

from swathe.arrays import Cells, Ints, Times, distinct, steps_of
from swathe.pipeline.cells.crossed import CrossedCells
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.placing.doubts import NO_DOUBTS, Doubts

__all__ = ["SilentStays"]

_MOST_LATE_NS = 60_000_000_000
"""Bytes that come later withdraw nothing. (Our choice, no source.)"""
_OPEN = int(np.iinfo(np.int64).max)
# Beyond that time a stay is followed so much longer: what is known at an instant may end a little later.
_MARGIN_NS = 1_000_000_000
_PROBES = 256

# A stay; `until` is `_OPEN` while the probe is in the cell, `beneath` the cell's state without the stay.
_STAY = np.dtype(
    [
        ("cell", np.int64),
        ("time", np.int64),
        ("since", np.int64),
        ("until", np.int64),
        ("settled", np.int64),
        ("probe", np.uint8),
        ("beneath", np.uint8),
    ]
)


class SilentStays:
    """Follows the stays of silent probes through one run.

    Args:
        grid: the cells.
        kept_ns: how long after a doubt stays may come that were settled before it.
    """

    def __init__(self, grid: Grid, kept_ns: int = 0) -> None:
        self._grid = grid
        self._kept_ns = kept_ns
        self._stays = np.empty(0, _STAY)  # a cell may have several
        self._last_cell: Cells = np.full(_PROBES, -1)  # of each probe
        self._doubts = NO_DOUBTS
        self._applied = 0  # how many doubts are
        self._fresh = False  # whether there are stays to which no doubt was applied

    def __len__(self) -> int:
        """Return how many stays are followed."""
        return int(self._stays.size)

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
        if self._stays.size:
            self.rests_on_more(lost)
            self._raise(stays.cells[known & uncertain], CellState.UNCERTAIN)
            self._raise(stays.cells[known & ~uncertain & ~stays.silent], CellState.SKIPPED)

    def _ends(self, stays: CrossedCells) -> Times:
        """Return when each stay ends, ns, and end those before; `_OPEN` while that is not known.

        A piece of the path may begin in the cell in which the one before ended: that is one stay.
        """
        ends = np.full(stays.cells.shape, _OPEN)
        if self._stays.size or stays.silent.any():
            for number in distinct(stays.probe.astype(np.int64)).tolist():
                rows = np.flatnonzero(stays.probe == number)
                begins = rows[steps_of(stays.cells[rows], self._last_cell[number]) != 0]
                if begins.size:
                    since = np.append(stays.since[begins], _OPEN)
                    here = (self._stays["probe"] == number) & (self._stays["until"] == _OPEN)
                    self._stays["until"][here] = since[0]
                    ends[rows] = since[np.searchsorted(begins, rows, side="right")]
        self._last_cell[stays.probe] = stays.cells  # the last one of each probe is left
        return ends

    def _follow(self, silent: CrossedCells, until: Times, before: NDArray[np.uint8]) -> None:
        """Follow stays in cells whose state was `before` them, unless that rests on more."""
        oldest = int(silent.settled[-1]) - _MOST_LATE_NS - _MARGIN_NS
        if self._stays.size and self._stays["settled"][0] < oldest:
            self.rests_on_more(self._stays["cell"][self._stays["settled"] < oldest])
        is_lower = before < CellState.NO_SIGNAL
        fresh = np.empty(silent.cells.size, _STAY)
        fresh["cell"], fresh["probe"] = silent.cells, silent.probe
        fresh["time"], fresh["since"], fresh["until"] = silent.time, silent.since, until
        fresh["settled"] = silent.settled
        fresh["beneath"] = np.where(is_lower, before, CellState.UNVISITED)
        follows = is_lower | np.isin(silent.cells, self._stays["cell"])
        self._stays = np.concatenate((self._stays, fresh[follows]))
        self._fresh = True

    def rests_on_more(self, cells: Cells) -> None:
        """Take note that the state of some cells rests on more than silence from now on."""
        if cells.size and self._stays.size:
            self._stays = self._stays[~np.isin(self._stays["cell"], cells)]

    def _raise(self, cells: Cells, state: CellState) -> None:
        rows, beneath = np.isin(self._stays["cell"], cells), self._stays["beneath"]
        beneath[rows] = np.maximum(beneath[rows], np.uint8(state))

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
        lowered: Cells = np.empty(0, np.int64)
        if count > self._applied or (count and fresh and self._fresh):
            self._applied, self._fresh = count, False
            lowered = self._take_away(self._doubt_of_stays(count))
        gone = int(np.searchsorted(self._doubts.known, now - self._kept_ns, side="right"))
        if gone:
            self._doubts = self._doubts[np.arange(gone, self._doubts.known.size)]
            self._applied -= gone
        return lowered

    def _take_away(self, doubt: Ints) -> Cells:
        """Take away the stays to which a doubt applies, by its number or -1; return cells that it frees."""
        doubted = doubt >= 0
        grid, stays, doubts = self._grid, self._stays[doubted], self._doubts[doubt[doubted]]
        at = stays["cell"]
        taken = (doubts.begin >= stays["since"]) | (doubts.end < stays["until"])
        taken &= ~doubts.unread
        # Of those that were measured since, it depends on the batches whether their stays are followed.
        without = grid.state[at] == CellState.NO_SIGNAL
        grid.unread[at[doubts.unread & without]] = True
        grid.unplaced[at[taken & without]] = True
        self._raise(at[doubts.unread | taken], CellState.UNCERTAIN)
        self._raise(at[~(doubts.unread | taken)], CellState.SKIPPED)
        cells = distinct(at)
        beneath = np.zeros(cells.shape, np.uint8)
        np.maximum.at(beneath, np.searchsorted(cells, at), self._stays["beneath"][doubted])
        self._stays = self._stays[~doubted]
        free = ~np.isin(cells, self._stays["cell"]) & (grid.state[cells] == CellState.NO_SIGNAL)
        grid.state[cells[free]] = beneath[free]
        return np.asarray(cells[free])

    def _doubt_of_stays(self, count: int) -> Ints:
        """Return which of the first `count` doubts applies to each stay, -1 for none."""
        found, probes = np.full(self._stays.shape, -1), self._stays["probe"].astype(np.int64)
        for number in distinct(probes).tolist():
            rows = np.flatnonzero(probes == number)
            spans = np.flatnonzero(self._doubts.probe[:count] == number)
            if not spans.size:
                continue
            spans = spans[np.argsort(self._doubts.end[spans], kind="stable")]
            times = self._stays["time"][rows]
            after = np.searchsorted(self._doubts.end[spans], times)
            span = spans[np.minimum(after, spans.size - 1)]
            within = (self._doubts.begin[span] < times) & (times <= self._doubts.end[span])
            within &= self._stays["settled"][rows] >= self._doubts.known[span] - _MOST_LATE_NS
            found[rows[within]] = span[within]
        return found
