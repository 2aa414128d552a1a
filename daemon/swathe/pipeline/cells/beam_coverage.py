"""How much of the required area the probe's beam has covered.

A reading sees the wall within its beam: a disc round the position where it was taken, as wide as
the beam is at the depth that it measured (-6 dB). The area is that of the union of these discs. It
is found by points: each cell has the same number of them, and the share of those that are within a
disc is the share of the area. The points of a cell are a Hammersley set, which is even along both
axes; from cell to cell it is shifted by the generalized golden ratio, so that lines at the same place
in all cells do not always meet the same points (quasi-Monte Carlo integration with a Cranley-Patterson
rotation; Niederreiter 1992; from memory). No random number is in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Floats, run_starts
from swathe.calibration import Beam
from swathe.pipeline.cells.beam_positions import KeptPositions
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.cells.plan_arrays import BLOCK, TouchedCells, plan_zeros

__all__ = ["covered_points"]

# Points in all, and at most in a cell. They are nearer to each other than an eighth of the beam, as
# long as that makes no more than _DENSE of them in a cell.
_POINTS, _MOST, _DENSE, _PER_BEAM = 2**17, 2**12, 16, 8
# No beam is taken to be wider than so many times its narrowest: far behind the near field less is
# claimed than it covers, and a reading of a kilometre covers no more than any other.
_WIDEST = 4.0
# Distances from readings to points that are computed together.
_AT_ONCE = 2**18
# One of so many readings is drawn first.
_FIRST_OF = 4
# So many sets of points there are, in turn from cell to cell; a prime, so that columns of a grid get
# all of them, too.
_PATTERNS = 251
# Of the plastic number: its inverse, and the square of it, are the rotation from cell to cell.
_PLASTIC = 1.32471795724474602596


def covered_points(
    parts: Sequence[tuple[KeptPositions, Beam]], grid: Grid, *, deepest: float | None
) -> tuple[int, int]:
    """Return how many points of the required area are within the beam of a reading, and how many it has.

    Args:
        parts: where readings were taken with a beam, and that beam.
        grid: excluded cells are not required.
        deepest: depth in mm beyond which no beam is taken to widen further, as the nominal
            thickness, so that a doubled echo covers no more than any other; the median of what was
            read where it is None.
    """
    limit = deepest
    if limit is None:
        read = np.concatenate([kept.thickness for kept, _ in parts])
        limit = float(np.median(read)) if read.size else 0.0
    radii = [_radius(kept, beam, limit) for kept, beam in parts]
    widest = [
        float(radius.max(initial=beam.narrowest / 2))
        for radius, (_, beam) in zip(radii, parts, strict=True)
    ]
    count = _points_of_a_cell(grid, min(widest))
    total = count * (grid.state.size - int(grid.excluded_in_row.sum()))
    reached = _ReachedCells(grid.touched.size)
    patterns = _patterns(count)
    some = [
        _Discs(kept, radius, grid, patterns, reached)
        for radius, (kept, _) in zip(radii, parts, strict=True)
        if radius.size
    ]
    cells = reached.cells()
    covered = np.zeros((cells.size, count), bool)
    required = grid.state[cells] != CellState.EXCLUDED
    # A few of the readings cover most of the points, and spare the others these.
    for first in (True, False):
        for discs in some:
            discs.cover_all(covered, required & ~covered.all(axis=1), first=first)
    return int(np.count_nonzero(covered)), total


def _radius(kept: KeptPositions, beam: Beam, limit: float) -> Floats:
    """Return half the width of a beam at what was read, no deeper than `limit`, mm, shape (n,)."""
    width = beam.width(np.minimum(kept.thickness, limit))
    return np.asarray(np.minimum(width, _WIDEST * beam.narrowest) / 2)


def _points_of_a_cell(grid: Grid, radius: float) -> int:
    """Return how many points a cell has, a power of two."""
    cells = grid.state.size
    spacing = 2 * radius / _PER_BEAM
    dense = grid.scan.resolution * grid.index.resolution / spacing**2
    count = min(max(_POINTS / cells, min(dense, _DENSE), 1), _MOST)
    return 1 << math.ceil(math.log2(count))


def _patterns(count: int) -> NDArray[np.float32]:
    """Return sets of points in the unit square, each shifted, shape (2, _PATTERNS, count).

    Args:
        count: of the points of a set, a power of two.
    """
    number = np.arange(count)
    bits = count.bit_length() - 1
    mirrored = sum(((number >> bit & 1) << (bits - 1 - bit) for bit in range(bits)), 0 * number)
    base = (np.stack((number, mirrored)) + 0.5) / count
    shift = np.arange(_PATTERNS) / np.array([[_PLASTIC], [_PLASTIC**2]])
    return np.asarray((base[:, np.newaxis] + shift[:, :, np.newaxis]) % 1, np.float32)


class _ReachedCells:
    """The cells that discs may reach, as whole blocks of the plan.

    Args:
        size: cells of the plan.
    """

    def __init__(self, size: int) -> None:
        self._near = TouchedCells(size)
        self._place = plan_zeros(-(-size // BLOCK), np.int64)

    def add(self, cells: Cells) -> None:
        """Add cells, before any are looked up."""
        self._near.add(cells)

    def cells(self) -> Cells:
        """Return the cells, rising."""
        blocks = self._near.blocks()
        self._place[blocks] = np.arange(blocks.size)
        return np.concatenate([*self._near.cells(), np.empty(0, np.int64)])

    def places(self, cells: Cells) -> Cells:
        """Return the place of each of `cells` among them."""
        return self._place[cells // BLOCK] * BLOCK + cells % BLOCK


class _Discs:
    """The beams round positions, on the cells of a grid.

    Args:
        kept: the positions.
        radius: of the beam at each of them, mm, shape (n,).
        grid: the cells.
        patterns: the points of a cell in its unit square, see `_patterns`.
        reached: is given the cells that the discs may reach.
    """

    def __init__(
        self,
        kept: KeptPositions,
        radius: Floats,
        grid: Grid,
        patterns: NDArray[np.float32],
        reached: _ReachedCells,
    ) -> None:
        self._kept = kept
        self._squares = np.asarray(radius * radius, np.float32)
        self._axes = (grid.index, grid.scan)
        self._patterns = patterns
        self._reach = tuple(math.ceil(float(radius.max()) / axis.resolution) for axis in self._axes)
        self._reached = reached
        first = run_starts(kept.row * (grid.scan.cells + 2 * self._reach[1]) + kept.column)
        for down, along in self._offsets():
            inside, cells = self._cells_at(kept.row[first] + down, kept.column[first] + along)
            reached.add(cells[inside])

    def _offsets(self) -> Iterator[tuple[int, int]]:
        """Yield how many rows and columns from its own a disc may reach a cell."""
        tall, wide = self._reach
        return product(range(-tall, tall + 1), range(-wide, wide + 1))

    def _cells_at(self, row: Cells, column: Cells) -> tuple[Bools, Cells]:
        """Return which rows and columns are on the grid, and the flat cell of each of these."""
        index, scan = self._axes
        if index.wrapped:
            row = row % index.cells
        if scan.wrapped:
            column = column % scan.cells
        inside = (row >= 0) & (row < index.cells) & (column >= 0) & (column < scan.cells)
        return inside, row * scan.cells + column

    def cover_all(self, covered: Bools, missing: Bools, *, first: bool) -> None:
        """Cover points; as `_cover_cells`, for all cells that a disc reaches.

        Args:
            covered: see there.
            missing: see there.
            first: whether it is the turn of one of `_FIRST_OF` readings, or of the others.
        """
        rows = np.zeros(self._squares.shape, bool)
        rows[::_FIRST_OF] = True
        rows = rows if first else ~rows
        for down, along in self._offsets():
            self._cover_cells(covered, missing, rows, down, along)

    def _cover_cells(
        self, covered: Bools, missing: Bools, rows: Bools, down: int, along: int
    ) -> None:
        """Cover points of the cells that are so many rows down and columns along from each position.

        Args:
            covered: whether a point is covered, shape (cells, points), of the reached cells.
            missing: whether a cell is required and has points that are not covered, shape (cells,).
            rows: which of the positions, shape (n,).
            down: rows.
            along: columns.
        """
        kept, (index, scan) = self._kept, self._axes
        inside, at = self._cells_at(kept.row + down, kept.column + along)
        # The nearest point of the cell is as far away as this.
        down_mm = _gap(down, kept.down) * index.resolution
        along_mm = _gap(along, kept.along) * scan.resolution
        near = np.flatnonzero(rows & inside & (down_mm**2 + along_mm**2 <= self._squares))
        cells = at[near]
        counted = missing[self._reached.places(cells)]
        near, cells = near[counted], cells[counted]
        block = max(_AT_ONCE // covered.shape[1], 1)
        for k in range(0, near.size, block):
            self._cover(covered, near[k : k + block], cells[k : k + block], down, along)

    def _cover(self, covered: Bools, near: Cells, cells: Cells, down: int, along: int) -> None:
        """Cover points of `cells`, one for each of the positions `near`; equal ones are together."""
        pattern = cells % _PATTERNS
        squares = np.zeros((near.size, covered.shape[1]), np.float32)
        columns = ((down, self._kept.down), (along, self._kept.along))
        for points, (away, offset), axis in zip(self._patterns, columns, self._axes, strict=True):
            apart = points[pattern]
            apart += np.asarray(away - offset[near], np.float32)[:, np.newaxis]
            apart *= np.float32(axis.resolution)
            apart *= apart
            squares += apart
        hit = squares <= self._squares[near, np.newaxis]
        begins = run_starts(cells)
        covered[self._reached.places(cells[begins])] |= np.logical_or.reduceat(hit, begins, axis=0)


def _gap(cells: int, offset: Floats) -> Floats:
    """Return how far the unit interval from `cells` is from positions within the one from 0."""
    return np.maximum(np.maximum(cells - offset, offset - cells - 1), 0.0)
