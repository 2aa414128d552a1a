"""The cells around a cell: what the wall is there, how much it scatters, and who agrees.

The window has one cell to each side along the index axis and two along the scan axis; where one of
them has a single cell, four along the other. An adjacent cell is a witness if its reading was taken
half a cell or more away: two cells that got their readings while the probe rocked over their border
are one piece of evidence. (Window and distance are our choice, no source.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.arrays import Bools, Cells, Floats, Ints, distinct
from swathe.pipeline.cells.cell_places import PLACES
from swathe.pipeline.cells.grid import CellState, Grid

__all__ = ["Around", "Neighbourhood"]

_MAD_TO_SD = 1.4826
"""Standard deviations in a median absolute deviation of a normal distribution, 1 / 0.67449 (Rousseeuw
and Croux, J. Am. Stat. Assoc. 88 (1993), 1273; scipy.stats.median_abs_deviation, scale 'normal')."""
_FEWEST = 2
_NEAREST = PLACES // 2


@dataclass(frozen=True, slots=True)
class Around:
    """Cells and what was read around them, shape (n,) each unless said otherwise.

    Attributes:
        value: thickness that represents the cell, mm.
        wall: median of the cells around it, mm; NaN where fewer than two of them were read.
        scatter: their standard deviation, from the median absolute deviation, mm; NaN likewise.
        lowest: lowest value of a witness, mm; infinite without any.
        highest: highest value of a witness, mm; minus infinite without any.
        visits: visits of the probe with a valid reading.
        visit_low: lowest of the minima of the visits, mm.
        visit_second: second lowest, mm; infinite for one visit.
    """

    value: Floats
    wall: Floats
    scatter: Floats
    lowest: Floats
    highest: Floats
    visits: Ints
    visit_low: Floats
    visit_second: Floats

    @property
    def known(self) -> Bools:
        """Whether enough was read around the cell for a judgement."""
        return np.asarray(np.isfinite(self.wall))


class Neighbourhood:
    """Finds the cells around cells.

    Args:
        grid: the cells.
        apart: whether no cell is near another one, as with spots.
    """

    def __init__(self, grid: Grid, *, apart: bool = False) -> None:
        self._grid = grid
        rows, columns = grid.shape
        down, right = (0, 4) if rows == 1 else (4, 0) if columns == 1 else (1, 2)
        down = _reach(down, rows, wrapped=grid.index.wrapped)
        right = _reach(right, columns, wrapped=grid.scan.wrapped)
        steps = [
            (d, r)
            for d in range(-down, down + 1)
            for r in range(-right, right + 1)
            if (d or r) and not apart
        ]
        self._steps = np.array(steps, np.int64).reshape(-1, 2)
        near = (np.abs(self._steps) <= 1).all(axis=1)
        self._is_adjacent = near
        self._next_to = self._steps[near & (np.abs(self._steps).sum(axis=1) == 1)]

    def reached_from(self, cells: Cells) -> Cells:
        """Return the cells in whose windows some cells are, and these, rising, each once."""
        if not cells.size or not self._steps.size:
            return distinct(cells)
        found, inside = self._moved(cells, self._steps)
        return distinct(np.concatenate((cells, found[inside])))

    def _moved(self, cells: Cells, steps: Ints) -> tuple[Cells, Bools]:
        """Return the cells that are some steps away, and which of them exist, shape (n, steps)."""
        rows, columns = self._grid.shape
        row, column = np.divmod(cells[:, np.newaxis], columns)
        row, column = row + steps[:, 0], column + steps[:, 1]
        inside = np.ones(row.shape, bool)
        if self._grid.index.wrapped:
            row = np.mod(row, rows)
        else:
            inside &= (row >= 0) & (row < rows)
        if self._grid.scan.wrapped:
            column = np.mod(column, columns)
        else:
            inside &= (column >= 0) & (column < columns)
        return np.where(inside, row * columns + column, 0), inside

    def are_read(self, cells: Cells) -> Bools:
        """Return whether each cell has a reading and is required, shape as `cells`."""
        grid = self._grid
        return np.asarray((grid.hits[cells] > 0) & (grid.state[cells] != CellState.EXCLUDED))

    def _are_apart(self, cells: Cells, others: Cells, steps: Ints) -> Bools:
        """Return whether the readings of two cells were taken half a cell or more apart."""
        within = self._grid.within
        moved = within[others].astype(np.int64) - within[cells].astype(np.int64)[:, np.newaxis]
        scan = moved[..., 0] + steps[:, 1] * PLACES
        index = moved[..., 1] + steps[:, 0] * PLACES
        return np.asarray((np.abs(scan) >= _NEAREST) | (np.abs(index) >= _NEAREST))

    def have_equal(self, cells: Cells, within: Floats) -> Bools:
        """Return whether a cell next to each of `cells` is a witness of nearly the same value.

        Args:
            cells: that were read, shape (n,).
            within: greatest difference, mm, shape (n,).
        """
        others, inside = self._moved(cells, self._next_to)
        thickness = self._grid.thickness
        near = np.abs(thickness[others] - thickness[cells][:, np.newaxis]) <= within[:, np.newaxis]
        near &= inside
        near &= self.are_read(others)
        near &= self._are_apart(cells, others, self._next_to)
        return np.asarray(near.any(axis=1))

    def around(self, cells: Cells, *, without: int = 0) -> Around:
        """Return what was read around cells that were read, shape (n,).

        Args:
            cells: flat cells.
            without: bits of quality with which a cell is no witness.
        """
        grid, visits = self._grid, self._grid.visits
        others, inside = self._moved(cells, self._steps)
        read = inside & self.are_read(others)
        values = np.where(read, grid.thickness[others], np.nan)
        wall = _median(values)
        scatter = _MAD_TO_SD * _median(np.abs(values - wall[:, np.newaxis]))
        witness = read & self._are_apart(cells, others, self._steps)
        if without:
            witness &= (grid.quality[others] & np.uint16(without)) == 0
        # Where the cells next to it were skipped, the nearest ones that were read are asked.
        adjacent: Bools = np.logical_and(witness, self._is_adjacent)
        has_adjacent = np.any(adjacent, axis=1, keepdims=True)
        witness = np.where(has_adjacent, adjacent, witness)
        return Around(
            value=grid.thickness[cells],
            wall=wall,
            scatter=scatter,
            lowest=np.where(witness, values, np.inf).min(axis=1, initial=np.inf),
            highest=np.where(witness, values, -np.inf).max(axis=1, initial=-np.inf),
            visits=visits.count[cells].astype(np.int64),
            visit_low=visits.lowest[cells].astype(np.float64),
            visit_second=visits.second[cells].astype(np.float64),
        )


def _reach(reach: int, cells: int, *, wrapped: bool) -> int:
    """Return how far a window reaches along an axis on which no cell may be met twice."""
    return min(reach, (cells - 1) // 2) if wrapped else reach


def _median(values: Floats) -> Floats:
    """Return the median of each row without its NaN; NaN where a row has fewer than two values.

    Args:
        values: shape (n, k).
    """
    ordered = np.sort(values, axis=1)  # NaN last
    number = np.count_nonzero(~np.isnan(values), axis=1)
    enough = number >= _FEWEST
    if not values.shape[1]:
        return np.full(values.shape[:1], np.nan)
    rows = np.arange(values.shape[0])
    low = ordered[rows, np.maximum(number - 1, 0) // 2]
    high = ordered[rows, np.minimum(number // 2, values.shape[1] - 1)]
    return np.where(enough, (low + high) / 2, np.nan)
