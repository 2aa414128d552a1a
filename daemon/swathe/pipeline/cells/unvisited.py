"""Cells that no probe has been near, as runs along the scan axis: a plan may have billions of them.

A run ends with its row. Only the touched blocks of a grid are known cell by cell; all others are
required, were never visited, and are described by their borders.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Ints, distinct, run_lengths, run_starts
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.plan_arrays import BLOCK
from swathe.pipeline.cells.regions import label_runs, neighbours

__all__ = ["MOST_LISTED", "Region", "Runs", "regions_of", "touched_runs", "unvisited_runs"]

MOST_LISTED = 1 << 20
"""Up to so many cells of a plan that were never visited are listed one by one."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of flat cells, rising, shape (n,) each: each within a row, or of whole rows.

    Attributes:
        first: cell of each, and
        last: cell of each.
    """

    first: Cells
    last: Cells

    @classmethod
    def none(cls) -> Runs:
        """Return no run."""
        return cls(np.empty(0, np.int64), np.empty(0, np.int64))

    @classmethod
    def of_cells(cls, cells: Cells, columns: int) -> Runs:
        """Return the runs of cells, rising, each once."""
        begins = np.flatnonzero(np.diff(cells, prepend=-2) != 1)
        return cls(cells[begins], cells[begins + run_lengths(begins, cells.size) - 1]).cut(columns)

    @classmethod
    def joined(cls, parts: list[Runs]) -> Runs:
        """Return the runs of all parts, which overlap nowhere, rising; those that touch stay apart."""
        first = np.concatenate([part.first for part in parts])
        order = np.argsort(first, kind="stable")
        return cls(first[order], np.concatenate([part.last for part in parts])[order])

    @property
    def size(self) -> int:
        """Number of the cells."""
        return int((self.last - self.first + 1).sum())

    def cells(self) -> Cells:
        """Return all cells, rising."""
        lengths = self.last - self.first + 1
        begins = np.cumsum(lengths) - lengths
        return np.repeat(self.first - begins, lengths) + np.arange(int(lengths.sum()))

    def columns(self, columns: int, *, each: bool) -> Cells:
        """Return the lowest and the highest column of the runs, or each of their columns, rising.

        Args:
            columns: of the grid.
            each: whether each of them is wanted.
        """
        first, last = self.first % columns, self.last % columns
        if not each:
            return np.array([first.min(), last.max()])
        steps = np.zeros(columns + 1, np.int64)
        np.add.at(steps, first, 1)
        np.subtract.at(steps, last + 1, 1)
        return np.flatnonzero(np.cumsum(steps[:-1]) > 0)

    def __getitem__(self, which: NDArray[np.bool_] | Ints) -> Runs:
        """Return some of the runs."""
        return Runs(self.first[which], self.last[which])

    def cut(self, columns: int) -> Runs:
        """Return the runs cut at the ends of the rows."""
        rows = self.last // columns - self.first // columns + 1
        run = np.repeat(np.arange(rows.size), rows)
        within = np.arange(run.size) - np.repeat(np.cumsum(rows) - rows, rows)
        row = self.first[run] // columns + within
        return Runs(
            np.maximum(self.first[run], row * columns),
            np.minimum(self.last[run], (row + 1) * columns - 1),
        )

    def cut_whole(self, columns: int) -> Runs:
        """Return the runs cut at the ends of the rows, but for whole rows that follow one another."""
        first, last = -(-self.first // columns) * columns, (self.last + 1) // columns * columns - 1
        whole = first < last
        return Runs.joined(
            [
                Runs(self.first, first - 1)[whole & (self.first < first)],
                Runs(first, last)[whole],
                Runs(last + 1, self.last)[whole & (last < self.last)],
                self[~whole].cut(columns),
            ]
        )

    def rows(self, columns: int, *, each: bool) -> Cells:
        """Return the first and the last row of each run, or each row of the runs, in any order.

        Args:
            columns: of the grid.
            each: whether each of them is wanted.
        """
        first, last = self.first // columns, self.last // columns
        return Runs(first, last).cells() if each else np.concatenate((first, last))

    def merged(self, columns: int) -> Runs:
        """Return the runs with those that touch in a row as one."""
        apart = np.ones(self.first.shape, bool)
        apart[1:] = (self.first[1:] != self.last[:-1] + 1) | (self.first[1:] % columns == 0)
        begins = np.flatnonzero(apart)
        return Runs(self.first[begins], self.last[begins + run_lengths(begins, apart.size) - 1])

    def of(self, cells: Cells) -> Ints:
        """Return the number of the run that each cell is in, -1 for none, shape as `cells`."""
        if not self.first.size:
            return np.full(cells.shape, -1)
        run = np.searchsorted(self.first, cells, side="right") - 1
        return np.where((run >= 0) & (cells <= self.last[run]), run, -1)


def touched_runs(grid: Grid) -> Runs:
    """Return the cells of the touched blocks of a grid."""
    blocks = Runs.of_cells(grid.touched.blocks(), max(grid.touched.size, 1))
    last = np.minimum((blocks.last + 1) * BLOCK, grid.touched.size) - 1
    return Runs(blocks.first * BLOCK, last).cut(grid.shape[1])


def unvisited_runs(grid: Grid) -> Runs:
    """Return the cells outside the touched blocks of a grid."""
    touched = grid.touched.blocks()
    # Between one touched block and the next, and before the first and after the last.
    first = np.append(0, (touched + 1) * BLOCK)
    last = np.append(touched * BLOCK, grid.touched.size) - 1
    some = first <= last
    return Runs(first[some], last[some]).cut_whole(grid.shape[1])


@dataclass(frozen=True, slots=True)
class Region:
    """A connected region of missing cells.

    Attributes:
        cells: those in touched blocks, rising.
        runs: those in none.
        adjacent: cells of open gaps next to it, rising.
    """

    cells: Cells
    runs: Runs
    adjacent: Cells


def regions_of(
    grid: Grid, cells: Cells, runs: Runs, gaps: Cells, *, wrapped: tuple[bool, bool]
) -> Iterator[Region]:
    """Yield the connected regions of cells and runs together, in the order of their first cells.

    Args:
        grid: the cells.
        cells: in touched blocks, rising.
        runs: in none.
        gaps: cells of open gaps, rising.
        wrapped: whether the (index, scan) axis is a circumference.
    """
    columns = grid.shape[1]
    whole = Runs.joined([Runs.of_cells(cells, columns), runs]).merged(columns)
    label = _labelled(whole, grid.shape, wrapped)
    of_cells, of_runs = label[whole.of(cells)], label[whole.of(runs.first)]
    around = neighbours(gaps, grid.shape, wrapped=wrapped)
    run = whole.of(around)  # -1 is none, outside the grid as well
    size = grid.touched.size
    pairs = distinct(np.concatenate([label[one[one >= 0]] * size + gaps[one >= 0] for one in run]))
    pair_of, pair_cell = np.divmod(pairs, size)
    cell_order, run_order = (np.argsort(one, kind="stable") for one in (of_cells, of_runs))
    numbers = np.arange(int(label.max(initial=-1)) + 2)
    cell_at = np.searchsorted(of_cells[cell_order], numbers)
    run_at = np.searchsorted(of_runs[run_order], numbers)
    pair_at = np.searchsorted(pair_of, numbers)
    for number in numbers[:-1].tolist():
        yield Region(
            cells[cell_order[cell_at[number] : cell_at[number + 1]]],
            runs[run_order[run_at[number] : run_at[number + 1]]],
            pair_cell[pair_at[number] : pair_at[number + 1]],
        )


def _labelled(runs: Runs, shape: tuple[int, int], wrapped: tuple[bool, bool]) -> Ints:
    """Return the region number of each run, as `label_runs`; whole rows count as one row."""
    rows, columns = shape
    top, bottom = runs.first // columns, runs.last // columns
    begins = run_starts(top)
    if not begins.size:
        return np.empty(0, np.int64)
    top, bottom = top[begins], bottom[begins]
    # Rows that follow one another stay so; where some are missing, one is.
    steps = np.concatenate(([int(top[0] > 0)], 1 + (top[1:] > bottom[:-1] + 1)))
    row = np.cumsum(steps)
    count = int(row[-1]) + 1 + int(bottom[-1] < rows - 1)
    start = np.repeat(row, run_lengths(begins, runs.first.size)) * columns
    first, last = start + runs.first % columns, start + runs.last % columns
    return label_runs(first, last, (count, columns), wrapped=wrapped)
