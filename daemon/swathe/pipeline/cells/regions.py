"""Connected regions of cells on a grid, of which either axis may close upon itself.

Cells are neighbours when they share a side. Only the given cells are visited, so a gap of a
hundred cells costs the same on any grid. The cells are cut into runs along the scan axis; runs
of neighbouring rows that overlap are joined by union-find (R. E. Tarjan, J. ACM 22, 1975), here as
pointer jumping over whole arrays.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, steps_of

__all__ = ["label_regions", "label_runs", "neighbours", "runs_of"]


def label_regions(
    cells: Cells, shape: tuple[int, int], *, wrapped: tuple[bool, bool] = (False, False)
) -> NDArray[np.int64]:
    """Return the region number of each cell, shape as `cells`.

    Regions are numbered from 0 in the order of their first cell.

    Args:
        cells: flat cells, rising, each once, shape (n,).
        shape: grid shape (index, scan).
        wrapped: whether the (index, scan) axis is a circumference.
    """
    if not cells.size:
        return np.empty(0, np.int64)
    begins = np.flatnonzero((steps_of(cells, -2) != 1) | (cells % shape[1] == 0))
    ends = np.append(begins[1:], cells.size) - 1
    number = label_runs(cells[begins], cells[ends], shape, wrapped=wrapped)
    return np.repeat(number, ends - begins + 1)


def label_runs(
    first: Cells, last: Cells, shape: tuple[int, int], *, wrapped: tuple[bool, bool]
) -> NDArray[np.int64]:
    """Return the region number of each run of cells, in the order of their first cells, shape (n,).

    Args:
        first: cell of each run, rising, and
        last: cell of it, in the same row; runs of a row do not touch.
        shape: grid shape (index, scan).
        wrapped: whether the (index, scan) axis is a circumference.
    """
    rows, columns = shape
    run_row = first // columns
    low, high = first % columns, last % columns
    # A run touches the runs of the next row whose high is not below its low, nor low above its
    # high: in flat order these are consecutive.
    upper, lower = _touching(first, last, columns)
    links = [np.stack((upper, lower))]
    if wrapped[0] and rows > 2:
        links.append(_across_index_seam(run_row, low, high, rows, columns))
    if wrapped[1] and columns > 2:
        links.append(_across_scan_seam(run_row, low, high, columns))
    root = _join(first.size, np.concatenate(links, axis=1))
    _, number = np.unique(root, return_inverse=True)
    return np.asarray(number, np.int64)


def _touching(low: Cells, high: Cells, columns: int) -> tuple[Cells, Cells]:
    """Return all pairs of runs that touch when the second is in the next row."""
    first = np.searchsorted(high, low + columns, side="left")
    last = np.searchsorted(low, high + columns, side="right")
    count = np.maximum(last - first, 0)
    upper = np.repeat(np.arange(low.size), count)
    within = np.arange(upper.size) - np.repeat(np.cumsum(count) - count, count)
    return upper, np.repeat(first, count) + within


def _across_index_seam(
    row: Cells, low: Cells, high: Cells, rows: int, columns: int
) -> NDArray[np.int64]:
    """Return the pairs of runs that touch across the seam of a wrapped index axis."""
    last, first = np.flatnonzero(row == rows - 1), np.flatnonzero(row == 0)
    if not (last.size and first.size):
        return np.empty((2, 0), np.int64)
    # As if the first row came after the last one.
    both_low = np.concatenate((low[last], low[first] + columns))
    both_high = np.concatenate((high[last], high[first] + columns))
    upper, lower = _touching(both_low, both_high, columns)
    names = np.concatenate((last, first))
    return np.stack((names[upper], names[lower]))


def _across_scan_seam(row: Cells, low: Cells, high: Cells, columns: int) -> NDArray[np.int64]:
    """Return the pairs of runs that touch across the seam of a wrapped scan axis."""
    left, right = np.flatnonzero(low == 0), np.flatnonzero(high == columns - 1)
    _, at_left, at_right = np.intersect1d(row[left], row[right], return_indices=True)
    return np.stack((left[at_left], right[at_right]))


def _join(count: int, links: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the lowest number that each of `count` runs is linked to, however far away."""
    root = np.arange(count)
    while True:
        low = np.minimum(root[links[0]], root[links[1]])
        joined = root.copy()
        np.minimum.at(joined, root[links[0]], low)
        np.minimum.at(joined, root[links[1]], low)
        while not np.array_equal(joined, joined[joined]):
            joined = joined[joined]
        if np.array_equal(joined, root):
            return root
        root = joined


def neighbours(
    cells: Cells, shape: tuple[int, int], *, wrapped: tuple[bool, bool] = (False, False)
) -> NDArray[np.int64]:
    """Return the four neighbours of each cell, -1 where there is none, shape (4, n)."""
    rows, columns = shape
    size = rows * columns
    column = cells % columns
    above, below, left, right = cells - columns, cells + columns, cells - 1, cells + 1
    around = np.empty((4, cells.size), np.int64)
    around[0] = np.where(above >= 0, above, above + size if wrapped[0] else -1)
    around[1] = np.where(below < size, below, below - size if wrapped[0] else -1)
    around[2] = np.where(column > 0, left, left + columns if wrapped[1] else -1)
    around[3] = np.where(column < columns - 1, right, right - columns if wrapped[1] else -1)
    return around


def runs_of(cells: Cells) -> list[tuple[int, int]]:
    """Return first and last of each unbroken run in `cells`, which are rising, shape (n,)."""
    if not cells.size:
        return []
    breaks = np.flatnonzero(np.diff(cells) != 1)
    first = cells[np.concatenate(([0], breaks + 1))]
    last = cells[np.concatenate((breaks, [cells.size - 1]))]
    return list(zip(first.tolist(), last.tolist(), strict=True))
