"""The axes of the grid: where its cells are, and which cell a position belongs to.

Cell ``k`` is centred on ``start + k * resolution`` and reaches half a resolution to each side; a
position on the border between two cells belongs to the upper one. Both ends of the length belong
to the grid, so 7 in at 0.05 in has 141 cells. A wrapped axis is a circumference: its last cell is
neighbour to its first, and its length is a whole number of cells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Axis", "cell_count"]

# A length that is a whole number of cells but for rounding in its last digits is whole.
_WHOLE = 1e-6


def cell_count(length: float, resolution: float, *, wrapped: bool = False) -> int:
    """Return how many cells an axis of `length` mm has at `resolution` mm.

    A wrapped axis is divided into the smallest whole number of cells that are no wider than
    `resolution`; any other counts both of its ends.
    """
    steps = length / resolution
    if wrapped:
        return max(1, math.ceil(steps - _WHOLE))
    return math.floor(steps + _WHOLE) + 1


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of the grid, in mm.

    Attributes:
        name: ``scan`` or ``index``.
        start: centre of cell 0.
        resolution: width of a cell.
        cells: number of cells.
        wrapped: whether the axis is a circumference.
    """

    name: str
    start: float
    resolution: float
    cells: int
    wrapped: bool = False

    @classmethod
    def over(
        cls, *, name: str, start: float, length: float, resolution: float, wrapped: bool = False
    ) -> Axis:
        """Return the axis that covers `length` mm from `start`; a wrapped one fits its cells."""
        cells = cell_count(length, resolution, wrapped=wrapped)
        width = length / cells if wrapped else resolution
        return cls(name=name, start=start, resolution=width, cells=cells, wrapped=wrapped)

    @property
    def centres(self) -> NDArray[np.float64]:
        """Cell centres in mm, shape (cells,)."""
        return self.start + np.arange(self.cells, dtype=np.float64) * self.resolution

    def centre(self, cell: int) -> float:
        """Return the centre of a cell in mm, the number that `centres` has."""
        return self.start + cell * self.resolution

    def edges(self, first: int, last: int) -> tuple[float, float]:
        """Return the outer borders in mm of the cells `first` to `last`, both included."""
        low = self.start + (first - 0.5) * self.resolution
        return low, self.start + (last + 0.5) * self.resolution

    @property
    def turn(self) -> tuple[float, float] | None:
        """From where to where positions on a circumference read, mm; None on any other axis."""
        return (self.start, self.start + self.cells * self.resolution) if self.wrapped else None

    def onto(self, position: float) -> float:
        """Return a position as it reads on the axis, mm: on a circumference within its `turn`."""
        if not self.wrapped:
            return position
        return self.start + (position - self.start) % (self.cells * self.resolution)

    def distance(self, one: float, other: float) -> float:
        """Return how far two positions are apart, mm; round a pipe by the shorter path."""
        apart = abs(one - other)
        if self.wrapped:
            turn = self.cells * self.resolution
            apart %= turn
            apart = min(apart, turn - apart)
        return apart

    def offset(self, position: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return positions in mm as fractional cells; 0 is the lower border of cell 0."""
        return (position - self.start) / self.resolution + 0.5

    def cell(self, position: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return the cell of each position in mm, -1 where it is outside the grid.

        NaN positions lie outside.
        """
        with np.errstate(invalid="ignore"):
            offset = np.floor(self.offset(position))
            if self.wrapped:
                offset = np.mod(offset, self.cells)
            inside = (offset >= 0) & (offset < self.cells)
        return np.where(inside, offset, -1).astype(np.int64)
