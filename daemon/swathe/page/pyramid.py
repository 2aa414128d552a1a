"""The grid at every scale, and its pixels as bytes.

Level 0 is the grid. Each further level halves the number of pixels along the axis whose pixels are
the shorter ones in mm, or along both where they are about square, until one tile holds the grid. A
pixel has the minimum thickness of its cells and the most urgent state among them, so that neither a
pit nor a gap vanishes from a small picture. Levels are kept up to date cell by cell.

A tile as bytes is its states, one byte a pixel, then its thicknesses, two bytes a pixel,
little-endian, in steps of 10 µm with 65535 for none. Rows follow one another; tiles at the far
edges are smaller. A tile of one state without any thickness is that state alone, one byte.

A patch as bytes is, for each level in turn: the number ``n`` of changed pixels as `uint32`, their
offsets as ``n`` `uint32`, their thicknesses as ``n`` `uint16`, their states as ``n`` `uint8`, and
zeros up to the next multiple of four bytes; all little-endian.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Ints
from swathe.pipeline import CellState, Grid
from swathe.pipeline.cells.plan_arrays import plan_zeros
from swathe.report.thinning import BY_URGENCY, URGENCY, pool

__all__ = [
    "NO_THICKNESS",
    "STEPS_PER_MM",
    "TILE",
    "Level",
    "Pixels",
    "Pyramid",
    "pack_patch",
    "pack_tile",
]

TILE = 256
"""Pixels of a tile along each axis."""

STEPS_PER_MM = 100
"""Steps of a thickness, as `uint16`: 10 µm each."""

NO_THICKNESS = 65_535
"""Thickness of a pixel without a reading."""

_THICKEST = NO_THICKNESS - 1
# Along an axis whose pixels are this much longer than the other's, nothing is thinned out yet.
_SQUARE = math.sqrt(2)
_NEVER_VISITED = URGENCY[CellState.UNVISITED]
_Index = tuple[slice, slice] | tuple[Ints, Ints]
# Ints per step of the build: some milliseconds.
_STEP_CELLS = 400_000


@dataclass(frozen=True, slots=True)
class Level:
    """One scale of the grid.

    Attributes:
        rows: pixels along the index axis, and
        columns: along the scan axis.
        tall: cells of a pixel along the index axis, and
        wide: along the scan axis; the last row or column may have fewer.
    """

    rows: int
    columns: int
    tall: int
    wide: int


@dataclass(frozen=True, slots=True)
class Pixels:
    """Pixels of a level that changed.

    Attributes:
        offset: row × columns + column of each, shape (n,), uint32.
        state: shape (n,), uint8.
        thickness: shape (n,), uint16, in steps of 10 µm; `NO_THICKNESS` where there is none.
    """

    offset: NDArray[np.uint32]
    state: NDArray[np.uint8]
    thickness: NDArray[np.uint16]


def levels_of(grid: Grid) -> list[Level]:
    """Return the levels of a grid, the grid itself first."""
    rows, columns = grid.shape
    level = Level(rows=rows, columns=columns, tall=1, wide=1)
    levels = [level]
    while max(level.rows, level.columns) > TILE:
        height = level.tall * grid.index.resolution
        width = level.wide * grid.scan.resolution
        tall = level.rows > 1 and (height < width * _SQUARE or level.columns == 1)
        wide = level.columns > 1 and (width < height * _SQUARE or level.rows == 1)
        step = (2 if tall else 1, 2 if wide else 1)
        level = Level(
            rows=-(-level.rows // step[0]),
            columns=-(-level.columns // step[1]),
            tall=level.tall * step[0],
            wide=level.wide * step[1],
        )
        levels.append(level)
    return levels


class Pyramid:
    """Levels above the grid: a third of its visited cells, three bytes each.

    Args:
        grid: the grid; it is read, never written.

    Attributes:
        levels: from the grid to the level that one tile holds.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self.levels = levels_of(grid)
        shapes = [(level.rows, level.columns) for level in self.levels[1:]]
        # Urgencies rather than states, so that a block's is their maximum; and both as what they differ
        # by from those of cells that were never visited, whose pixels take no memory.
        self._urgency = [plan_zeros(shape, np.uint8) for shape in shapes]
        self._depth = [plan_zeros(shape, np.uint16) for shape in shapes]

    def build(self) -> Iterator[None]:
        """Fill every level, some milliseconds' work a step; changes meanwhile are for `update`."""
        for number in range(1, len(self.levels)):
            step = self._step(number)
            below, level = self.levels[number - 1], self.levels[number]
            wide = min(level.columns, _STEP_CELLS)
            tall = max(1, _STEP_CELLS // (wide * step[0] * step[1]))
            for row in range(0, level.rows, tall):
                rows = slice(row * level.tall, (row + tall) * level.tall)
                for column in self._touched_columns(rows, range(0, level.columns, wide), level):
                    here = np.s_[row : row + tall, column : column + wide]
                    from_row, from_column = row * step[0], column * step[1]
                    urgency, thickness = self._read(
                        number - 1,
                        slice(from_row, min(from_row + tall * step[0], below.rows)),
                        slice(from_column, min(from_column + wide * step[1], below.columns)),
                    )
                    pooled = pool(thickness, step, np.minimum)
                    self._put(number, here, pool(urgency, step, np.maximum), pooled)
                    yield

    def update(self, cells: Cells) -> list[Pixels]:
        """Bring every level up to date; return the changed pixels by level.

        Args:
            cells: flat cells that changed, shape (n,), in any order, repeated or not.
        """
        cells = np.unique(cells)
        row, column = np.divmod(cells, self.levels[0].columns)
        urgency, thickness = self._cells_at(cells)
        changed = [_pixels(cells, urgency, thickness)]
        for number in range(1, len(self.levels)):
            step, level = self._step(number), self.levels[number]
            offset = np.unique(row // step[0] * level.columns + column // step[1])
            row, column = np.divmod(offset, level.columns)
            urgency, thickness = self._pooled_at(number, row, column)
            kept = self._kept(number, (row, column))
            fresh = (urgency != kept[0]) | (thickness != kept[1])
            offset, row, column = offset[fresh], row[fresh], column[fresh]
            self._put(number, (row, column), urgency[fresh], thickness[fresh])
            changed.append(_pixels(offset, urgency[fresh], thickness[fresh]))
        return changed

    def tile(
        self, number: int, row: int, column: int
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
        """Return states and thicknesses of a tile, each of shape (rows, columns) up to `TILE`.

        Args:
            number: of the level.
            row: of the tile, counted in tiles.
            column: likewise.

        Raises:
            LookupError: there is no such tile.
        """
        if not 0 <= number < len(self.levels):
            msg = f"the levels are 0 to {len(self.levels) - 1}"
            raise LookupError(msg)
        level = self.levels[number]
        high, low = row * TILE, column * TILE
        if not (0 <= high < level.rows and 0 <= low < level.columns):
            msg = f"level {number} has {-(-level.rows // TILE)} × {-(-level.columns // TILE)} tiles"
            raise LookupError(msg)
        urgency, thickness = self._read(
            number,
            slice(high, min(high + TILE, level.rows)),
            slice(low, min(low + TILE, level.columns)),
        )
        return BY_URGENCY[urgency], thickness

    def _step(self, number: int) -> tuple[int, int]:
        below, level = self.levels[number - 1], self.levels[number]
        return level.tall // below.tall, level.wide // below.wide

    def _read(
        self, number: int, rows: slice, columns: slice
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
        """Return urgencies and thicknesses of a block of a level."""
        if number:
            return self._kept(number, (rows, columns))
        grid = self._grid

        def block(values: NDArray[Any]) -> NDArray[Any]:
            return values.reshape(grid.shape)[rows, columns]

        return URGENCY[block(grid.state)], _steps(block(grid.hits), block(grid.thickness))

    def _kept(self, number: int, here: _Index) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
        """Return urgencies and thicknesses of some pixels of a level above the grid."""
        return (
            self._urgency[number - 1][here] ^ _NEVER_VISITED,
            NO_THICKNESS - self._depth[number - 1][here],
        )

    def _put(
        self, number: int, here: _Index, urgency: NDArray[np.uint8], thickness: NDArray[np.uint16]
    ) -> None:
        self._urgency[number - 1][here] = urgency ^ _NEVER_VISITED
        self._depth[number - 1][here] = NO_THICKNESS - thickness

    def _touched_columns(self, rows: slice, columns: range, level: Level) -> Iterator[int]:
        """Yield those of the first columns of steps in which cells of some rows are touched."""
        across, most = self._grid.shape[1], self._grid.touched.size - 1
        for column in columns:
            low, high = column * level.wide, (column + columns.step) * level.wide
            if low == 0 and high >= across:  # whole rows
                spans = [(rows.start * across, rows.stop * across)]
            else:
                spans = [
                    (row * across + low, row * across + high)
                    for row in range(rows.start, rows.stop)
                ]
            if any(self._grid.touched.any_in(first, min(last, most)) for first, last in spans):
                yield column

    def _cells_at(self, cells: Cells) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
        grid = self._grid
        return URGENCY[grid.state[cells]], _steps(grid.hits[cells], grid.thickness[cells])

    def _pooled_at(
        self, number: int, row: Ints, column: Ints
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
        """Return urgencies and thicknesses at (row, column) of a level, shape (n,), from below."""
        step, below = self._step(number), self.levels[number - 1]
        urgency = np.zeros(row.size, np.uint8)
        thickness = np.full(row.size, NO_THICKNESS, np.uint16)
        for down in range(step[0]):
            for right in range(step[1]):
                # Beyond the edge the last pixel is pooled again, which changes nothing.
                at_row = np.minimum(row * step[0] + down, below.rows - 1)
                at_column = np.minimum(column * step[1] + right, below.columns - 1)
                if number == 1:
                    worst, thinnest = self._cells_at(at_row * below.columns + at_column)
                else:
                    worst, thinnest = self._kept(number - 1, (at_row, at_column))
                np.maximum(urgency, worst, out=urgency)
                np.minimum(thickness, thinnest, out=thickness)
        return urgency, thickness


def _steps(hits: NDArray[np.uint32], thickness: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Return thicknesses in mm as steps of 10 µm, `NO_THICKNESS` where nothing was read."""
    steps = np.full(hits.shape, NO_THICKNESS, np.uint16)
    read = hits > 0
    if read.any():
        values = np.rint(thickness[read] * STEPS_PER_MM)
        steps[read] = np.clip(values, 0, _THICKEST).astype(np.uint16)
    return steps


def _pixels(offset: Ints, urgency: NDArray[np.uint8], thickness: NDArray[np.uint16]) -> Pixels:
    return Pixels(offset.astype(np.uint32), BY_URGENCY[urgency], thickness)


def pack_tile(state: NDArray[np.uint8], thickness: NDArray[np.uint16]) -> bytes:
    """Return a tile as bytes."""
    if state.min() == state.max() and thickness.min() == NO_THICKNESS:
        return state[:1, :1].tobytes()
    return state.tobytes() + thickness.astype("<u2").tobytes()


def pack_patch(levels: list[Pixels]) -> bytes:
    """Return changed pixels, by level, as bytes."""
    parts: list[bytes] = []
    for pixels in levels:
        count = pixels.offset.size
        parts += [
            count.to_bytes(4, "little"),
            pixels.offset.astype("<u4").tobytes(),
            pixels.thickness.astype("<u2").tobytes(),
            pixels.state.tobytes(),
            b"\0" * (-3 * count % 4),
        ]
    return b"".join(parts)
