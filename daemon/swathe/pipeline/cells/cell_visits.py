"""What each visit of the probe to a cell read as its minimum: the evidence of a second reading.

Two readings that are taken while the probe rests share the couplant and its errors: they are one
piece of evidence, however many they are. A visit to a cell lasts until the probe was read two cells
or more away from it; a probe that rocks over the border of two cells visits each of them once. Of
each cell the two lowest of the minima of its visits are kept. Two visits have read a value as low as
`x` where the second of them is not above `x`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Floats, Ints, distinct, run_lengths, run_starts
from swathe.pipeline.cells.plan_arrays import PlanArrays, TouchedCells, plan_zeros

__all__ = ["CellVisits", "Stays", "place_numbers"]

_AWAY_CELLS = 2
# How many stays back it is searched for one that was away from the cell.
_MOST_BACK = 32
_NEITHER, _LOWEST, _SECOND = 0, 1, 2
_MOST_VISITS = 255
# Places of a carriage are numbered on beyond the grid, to all sides.
_STRIDE, _ORIGIN = 1 << 26, 1 << 25


def place_numbers(rows: Ints, columns: Ints) -> Cells:
    """Return a number for each place of a carriage, in rows and columns also beyond the grid."""
    return np.asarray((rows + _ORIGIN) * _STRIDE + columns + _ORIGIN)


@dataclass(frozen=True, slots=True)
class Stays:
    """Consecutive stays of the probe in one cell each; the first may continue the last one before.

    Attributes:
        of_reading: number of the stay of each reading, from 0, shape (n,).
        cells: cell of each stay, -1 outside the grid, shape (m,).
        serial: number of each stay among all of the survey, from 1, shape (m,).
        away: serial of the last stay before it that was away from its cell, 0 for none, shape (m,).
    """

    of_reading: Ints
    cells: Cells
    serial: Ints
    away: Ints


class CellVisits(PlanArrays):
    """Follows the visits of all cells.

    Args:
        shape: rows and columns of the grid.
        wrapped: whether its rows and its columns go round.
        touched: the cells of the grid that readings may have reached.

    Attributes:
        apart: whether each call of `add` is a visit of its own, as a coupling of a spot is.
        count: visits with a valid reading, 255 for more, shape (cells,).
        lowest: lowest of the minima of a cell's visits, mm, shape (cells,); 0 without any.
        second: second lowest, mm, shape (cells,); infinite for one visit, 0 without any.
    """

    def __init__(
        self, shape: tuple[int, int], wrapped: tuple[bool, bool], touched: TouchedCells
    ) -> None:
        self._shape = shape
        self._wrapped = wrapped
        self.touched = touched
        cells = shape[0] * shape[1]
        self.apart = False
        self.count = plan_zeros(cells, np.uint8)
        self.lowest = plan_zeros(cells, np.float32)
        self.second = plan_zeros(cells, np.float32)
        self._which = plan_zeros(cells, np.uint8)  # which of both the visit now is
        self._last = plan_zeros(cells, np.uint32)  # serial of the last stay with a valid reading
        self._stays = 0
        self._recent: Cells = np.empty(0, np.int64)

    def follow(self, cells: Cells, carriage: Cells | None = None) -> Stays:
        """Return the stays of the next readings, valid or not.

        Args:
            cells: the cell of each, shape (n,).
            carriage: of several probes, where their datum was, see `place_numbers`, shape (n,): readings
                of two of them that are taken while the carriage rests are one visit.
        """
        if carriage is None:
            return self._follow(cells, self._shape[1])
        moved = self._follow(carriage, _STRIDE)
        begins = distinct(np.concatenate((run_starts(cells), run_starts(carriage))))
        at = moved.of_reading[begins]
        of_reading = np.repeat(np.arange(begins.size), run_lengths(begins, cells.size))
        return Stays(of_reading, cells[begins], moved.serial[at], moved.away[at])

    def _follow(self, cells: Cells, stride: int) -> Stays:
        begins = run_starts(cells)
        stays = cells[begins]
        continues = bool(self._recent.size and stays.size and self._recent[-1] == stays[0])
        serial = np.arange(stays.size) + (self._stays + 1 - continues)
        known = np.concatenate((self._recent, stays[1:] if continues else stays))
        at = np.arange(stays.size) + (known.size - stays.size)  # of each stay in `known`
        first = self._stays + 1 - self._recent.size  # serial of the first one in `known`
        away = self._last_away(known, at, stride)
        away = np.where(away >= 0, away + first, 0)
        self._stays = int(serial[-1]) if serial.size else self._stays
        self._recent = known[-_MOST_BACK:].copy()
        of_reading = np.repeat(np.arange(stays.size), run_lengths(begins, cells.size))
        return Stays(of_reading, stays, serial, away)

    def _last_away(self, known: Cells, at: Ints, stride: int) -> Ints:
        """Return the last stay before each of `at` that was away from its cell, -1 for none."""
        found = np.full(at.shape, -1)
        waiting = np.arange(at.size)
        for back in range(1, _MOST_BACK):
            waiting = waiting[at[waiting] >= back]
            if not waiting.size:
                break
            one = at[waiting]
            away = self._are_away(known[one], known[one - back], stride)
            found[waiting[away]] = one[away] - back
            waiting = waiting[~away]
        return found

    def _are_away(self, cells: Cells, others: Cells, stride: int) -> Bools:
        """Return whether each cell is two cells or more from another; not where one is no cell."""
        rows, columns = self._shape
        away = np.zeros(cells.shape, bool)
        for size, wrapped, one, other in (
            (rows, self._wrapped[0], cells // stride, others // stride),
            (columns, self._wrapped[1], cells % stride, others % stride),
        ):
            apart = np.abs(one - other)
            apart = np.minimum(apart % size, -apart % size) if wrapped else apart
            away |= apart >= _AWAY_CELLS
        return np.asarray(away & (cells >= 0) & (others >= 0))

    def add(self, stays: Stays, of_reading: Ints, thickness: Floats) -> None:
        """Add valid readings on the grid.

        Args:
            stays: of all readings, as `follow` returned them.
            of_reading: number of the stay of each valid reading, rising, shape (n,).
            thickness: of each, mm, shape (n,).
        """
        begins = run_starts(of_reading)
        stay = of_reading[begins]
        low = np.minimum.reduceat(thickness, begins).astype(np.float32)
        cells, serial, away = stays.cells[stay], stays.serial[stay], stays.away[stay]
        if (np.diff(cells) < 0).any():
            order = np.argsort(cells, kind="stable")
            cells, serial, away, low = cells[order], serial[order], away[order], low[order]
        begin = run_starts(cells)
        is_first = np.zeros(cells.shape, bool)
        is_first[begin] = True
        before = np.where(is_first, self._last[cells], np.roll(serial, 1))
        fresh = (away > before) | (is_first & ((self.count[cells] == 0) | self.apart))
        lengths = run_lengths(begin, cells.size)
        self._last[cells[begin]] = serial[begin + lengths - 1]
        # The minimum of each visit, then the visits of a cell one after the other.
        begin = np.flatnonzero(fresh | is_first)
        low, cells, fresh = np.minimum.reduceat(low, begin), cells[begin], fresh[begin]
        begin = run_starts(cells)
        rank = np.arange(cells.size) - np.repeat(begin, run_lengths(begin, cells.size))
        for number in range(int(rank.max(initial=-1)) + 1):
            rows = rank == number
            self._take(cells[rows], low[rows], fresh[rows])

    def _take(self, cells: Cells, low: NDArray[np.float32], fresh: Bools) -> None:
        """Take the minimum of a visit to each of `cells`, each once, that is new or continues."""
        count = self.count[cells]
        which = np.where(fresh, _NEITHER, self._which[cells])
        lowest = np.where(count > 0, self.lowest[cells], np.float32(np.inf))
        second = np.where(count > 0, self.second[cells], np.float32(np.inf))
        is_lowest = which == _LOWEST
        sinks = ~is_lowest & (low < lowest)  # below the lowest of the other visits
        follows = ~is_lowest & ~sinks & (low < second)
        second = np.where(sinks, lowest, np.where(follows, low, second))
        lowest = np.where(is_lowest | sinks, np.minimum(low, lowest), lowest)
        which = np.where(sinks, _LOWEST, np.where(follows, _SECOND, which))
        self.lowest[cells], self.second[cells], self._which[cells] = lowest, second, which
        self.count[cells] = count + (fresh & (count < _MOST_VISITS))

    def clear(self, cells: Cells) -> None:
        """Forget the visits of cells."""
        self.count[cells] = 0
        self.lowest[cells] = 0
        self.second[cells] = 0
