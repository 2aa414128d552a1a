"""Where readings with an echo were taken, fine enough to draw the probe's beam round each of them.

A cell of the grid is divided into parts that are small against the beam. Of each part the first
reading is kept, with its own position and thickness: what the others would add to the area that
the beams cover is below a thousandth of a beam. So memory grows with the length of the path and not
with the number of readings, and a probe at rest adds nothing.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Floats, Ints, run_starts
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.placing.placed import Placed
from swathe.station import Axis

__all__ = ["BeamPositions", "KeptPositions"]

# Parts of a cell are this much smaller than the beam: between two readings so far apart the border
# of what their beams cover comes nearer to their line by (1/16)²/4 of the beam's width.
_PARTS_OF_BEAM = 16
_MOST_PARTS = 4096
# Readings that wait to be sorted in are no more than this, or a half of those that are.
_FEWEST_TO_MERGE = 65_536
_MANY = 64  # below it, sorting costs more than it spares
_EMPTY = np.empty(0, np.int64)


class KeptPositions(NamedTuple):
    """Positions of readings that count, shape (n,), in the order of their cells' numbers.

    Attributes:
        row: of the grid; below 0 or from its height on outside of it.
        column: of the grid, likewise.
        down: within the row, 0 to 1.
        along: within the column, 0 to 1.
        thickness: mm.
    """

    row: Ints
    column: Ints
    down: Floats
    along: Floats
    thickness: Floats


class BeamPositions:
    """Positions of the readings of a survey.

    Args:
        grid: the cells.
        narrowest: width of the beam where it is narrowest, mm.
        widest: width of the beam where it is widest, mm: readings that are farther outside the
            grid than half of it cover nothing of it.
    """

    def __init__(self, grid: Grid, *, narrowest: float, widest: float) -> None:
        self._grid = grid
        axes = (grid.index, grid.scan)
        self._margins = tuple(
            0 if axis.wrapped else math.ceil(widest / 2 / axis.resolution) for axis in axes
        )
        self._parts = tuple(
            min(max(math.ceil(axis.resolution * _PARTS_OF_BEAM / narrowest), 1), _MOST_PARTS)
            for axis in axes
        )
        self._columns = axes[1].cells + 2 * self._margins[1]
        self._part = _EMPTY  # number of each part that has a reading, rising
        self._values = np.empty((3, 0), np.float32)  # down, along, thickness
        self._pending: list[tuple[Ints, NDArray[np.float32]]] = []
        self._waiting = 0

    def add(self, placed: Placed, *, suspect: bool | Bools) -> None:
        """Keep readings that the grid has taken.

        Args:
            placed: in the order in which they became known.
            suspect: whether they measured no cell, and left a measured one as it was; of several
                probes for each, shape (n,).
        """
        readings = placed.readings
        good = readings["valid"] & np.isfinite(readings["thickness"])
        down, row, inside = _divided(self._grid.index, placed.index, self._margins[0])
        along, column, inside_too = _divided(self._grid.scan, placed.scan, self._margins[1])
        good &= inside & inside_too
        if not isinstance(suspect, bool) or suspect:
            good &= ~np.asarray(suspect) | (self._state(row, column) == CellState.SUSPECT)
        if not good.all():
            down, row, along, column = down[good], row[good], along[good], column[good]
        cell = self._number(row, column)
        tall, wide = self._parts
        part = (cell * tall + (down * tall).astype(np.int64)) * wide
        part += (along * wide).astype(np.int64)
        first = run_starts(part)
        if not first.size:
            return
        if first.size > _MANY:  # of several probes in turn, the parts alternate
            order = first[np.argsort(part[first], kind="stable")]
            first = order[run_starts(part[order])]
        thickness = readings["thickness"] if good.all() else readings["thickness"][good]
        values = np.stack((down[first], along[first], thickness[first])).astype(np.float32)
        self._pending.append((part[first], values))
        self._waiting += first.size
        if self._waiting > max(_FEWEST_TO_MERGE, self._part.size // 2):
            self._merge()

    def cells_changed(self, update: CellUpdate) -> None:
        """Drop what was read in suspect cells that a reading has measured since.

        That reading is to be added after.
        """
        again = update.before == CellState.SUSPECT
        if again.any():
            again &= self._grid.state[update.cells] == CellState.MEASURED
            self.drop(update.cells[again])

    def drop(self, cells: Cells) -> None:
        """Drop what was read in some cells, rising."""
        if not cells.size:
            return
        self._merge()
        row, column = np.divmod(cells, self._grid.shape[1])
        cell = self._number(row, column)
        parts = self._parts[0] * self._parts[1]
        begins = np.searchsorted(self._part, cell * parts)
        ends = np.searchsorted(self._part, (cell + 1) * parts)
        steps = np.zeros(self._part.size + 1, np.int64)
        steps[begins] += 1
        np.subtract.at(steps, ends, 1)
        kept = np.cumsum(steps)[:-1] == 0
        self._part, self._values = self._part[kept], self._values[:, kept]

    def kept(self) -> KeptPositions:
        """Return the positions that count: not those in cells that are suspect now."""
        self._merge()
        cell = self._part // (self._parts[0] * self._parts[1])
        row, column = np.divmod(cell, self._columns)
        row -= self._margins[0]
        column -= self._margins[1]
        sound = self._state(row, column) != CellState.SUSPECT
        down, along, thickness = self._values[:, sound].astype(np.float64)
        return KeptPositions(row[sound], column[sound], down, along, thickness)

    def _number(self, row: Ints, column: Ints) -> Ints:
        """Return the numbers of cells of the grid with its margins."""
        return (row + self._margins[0]) * self._columns + column + self._margins[1]

    def _state(self, row: Ints, column: Ints) -> NDArray[np.uint8]:
        """Return the state of cells; outside the grid that of the nearest cell of it."""
        rows, columns = self._grid.shape
        at = np.clip(row, 0, rows - 1) * columns + np.clip(column, 0, columns - 1)
        return self._grid.state[at]

    def _merge(self) -> None:
        if not self._pending:
            return
        part = np.concatenate([self._part, *(part for part, _ in self._pending)])
        values = np.concatenate([self._values, *(one for _, one in self._pending)], axis=1)
        self._pending.clear()
        self._waiting = 0
        order = np.argsort(part, kind="stable")  # of one part the earliest comes first
        first = order[run_starts(part[order])]
        self._part, self._values = part[first], values[:, first]


def _divided(axis: Axis, positions: Floats, margin: int) -> tuple[Floats, Ints, Bools]:
    """Return positions in mm as a share of a cell, its number, and whether that is near the grid.

    Args:
        axis: of the grid.
        positions: mm, shape (n,); NaN is not near.
        margin: cells on each side of the grid that are near to it.
    """
    with np.errstate(invalid="ignore"):
        offset = axis.offset(positions)
        if axis.wrapped:
            offset = np.mod(offset, axis.cells)
            offset[offset >= axis.cells] = 0.0  # what is below zero by less than rounding
        near = (offset >= -margin) & (offset < axis.cells + margin)
    offset = np.where(near, offset, 0.0)
    number = np.floor(offset)
    return offset - number, number.astype(np.int64), near
