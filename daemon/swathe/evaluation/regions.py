"""Connected regions of cells as columns: size, lowest cell, borders; and how two of them are joined."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Ints
from swathe.evaluation.cells import Band, CellSource

__all__ = ["BORDERS_EXCLUDED", "BORDERS_UNSEEN", "Regions", "arc_over"]

BORDERS_UNSEEN = 1
BORDERS_EXCLUDED = 2

_NM_PER_MM = 1_000_000
_NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class Regions:
    """Regions as columns, each of shape (n,).

    Attributes:
        cells: how many.
        total: of their thicknesses, nm: a whole number, so that no order matters.
        thickness: of the lowest cell, mm.
        cell: its flat cell, the first of equal ones.
        row: first row; on a wrapped axis the region goes on from there.
        rows: how many rows; past the last row of a wrapped axis they continue with the first.
        column: first column, likewise.
        columns: how many, likewise.
        borders: bits of what is next to it.
    """

    cells: Ints
    total: Ints
    thickness: NDArray[np.float32]
    cell: Ints
    row: Ints
    rows: Ints
    column: Ints
    columns: Ints
    borders: NDArray[np.uint8]

    @classmethod
    def none(cls) -> Regions:
        """Return no region."""
        whole = np.empty(0, np.int64)
        low, bits = np.empty(0, np.float32), np.empty(0, np.uint8)
        return cls(whole, whole, low, whole, whole, whole, whole, whole, bits)

    @classmethod
    def of_labels(cls, names: Ints, band: Band, count: int, around: NDArray[np.uint8]) -> Regions:
        """Return the regions of a band.

        Args:
            names: number of each cell's region, -1 without one.
            band: the cells.
            count: of regions.
            around: bits of what is next to each cell, within the band.
        """
        at = np.nonzero(names >= 0)
        name, values = names[at], band.thickness[at]
        units = np.rint(values.astype(np.float64) * _NM_PER_MM).astype(np.int64)
        ones = np.ones(name.size, np.int64)
        cell = (at[0] + band.row) * band.columns + at[1] + band.column
        each = cls(
            ones, units, values, cell, at[0] + band.row, ones, at[1] + band.column, ones, around[at]
        )
        return each._reduced(name, count)

    @property
    def size(self) -> int:
        """How many."""
        return int(self.cells.size)

    def joined_with(self, other: Regions) -> Regions:
        """Return these regions, and then the others."""
        return Regions(
            *(
                np.concatenate((getattr(self, each.name), getattr(other, each.name)))
                for each in fields(self)
            )
        )

    def taken(self, which: Bools | Ints) -> Regions:
        """Return some regions."""
        return Regions(*(getattr(self, each.name)[which] for each in fields(self)))

    def lowest(self, most: int) -> Regions:
        """Return those with the lowest thicknesses, the lowest first; of equal ones the first cell."""
        return self.taken(np.lexsort((self.cell, self.thickness))[:most])

    def mark(self, row: Ints, bits: NDArray[np.uint8]) -> None:
        """Add the bits of what is next to the cells of a row to their regions.

        Args:
            row: number of each cell's region, -1 without one.
            bits: next to each of these cells.
        """
        at = row >= 0
        np.bitwise_or.at(self.borders, row[at], bits[at])

    def combined(self, number: Ints, count: int, source: CellSource) -> Regions:
        """Return the regions with those joined that have the same number.

        Args:
            number: of each region, 0 to `count` less one.
            count: of joined regions.
            source: of the cells, with the axes.
        """
        if count == self.size:
            return self.taken(np.argsort(number))
        joined = self._reduced(number, count)
        for axis, first, length in (
            (source.index, "row", "rows"),
            (source.scan, "column", "columns"),
        ):
            if axis.wrapped:
                self._join_arcs(number, joined, axis.cells, first, length)
        return joined

    def _reduced(self, number: Ints, count: int) -> Regions:
        """Return the regions joined by their numbers, as if no axis were wrapped."""

        def reduced(how: np.ufunc, values: Ints, start: int) -> Ints:
            result = np.full(count, start, np.int64)
            how.at(result, number, values)
            return result

        thickness = np.full(count, np.inf, np.float32)
        np.minimum.at(thickness, number, self.thickness)
        lowest = self.thickness == thickness[number]
        cell = np.full(count, _NEVER, np.int64)
        np.minimum.at(cell, number[lowest], self.cell[lowest])
        borders = np.zeros(count, np.uint8)
        np.bitwise_or.at(borders, number, self.borders)
        row, column = (reduced(np.minimum, each, _NEVER) for each in (self.row, self.column))
        return Regions(
            reduced(np.add, self.cells, 0),
            reduced(np.add, self.total, 0),
            thickness,
            cell,
            row,
            reduced(np.maximum, self.row + self.rows, 0) - row,
            column,
            reduced(np.maximum, self.column + self.columns, 0) - column,
            borders,
        )

    def _join_arcs(self, number: Ints, joined: Regions, size: int, first: str, length: str) -> None:
        """Set the extents of joined regions on a wrapped axis, where the seam is in one."""
        begin, count = getattr(self, first), getattr(self, length)
        at_seam = begin + count >= size
        for each in np.unique(number[at_seam]).tolist():
            mine = number == each
            arc = arc_over(begin[mine], count[mine], size)
            getattr(joined, first)[each], getattr(joined, length)[each] = arc


def arc_over(begin: Ints, count: Ints, size: int) -> tuple[int, int]:
    """Return first cell and length of the shortest arc of a circumference that holds all arcs.

    Args:
        begin: first cell of each, shape (n,).
        count: their lengths in cells.
        size: cells of the circumference.
    """
    order = np.argsort(begin, kind="stable")
    begin = begin[order]
    reach = np.maximum.accumulate(begin + count[order])
    # What reaches past the seam covers cells at the beginning.
    free = np.append(begin[1:], begin[0] + size) - np.maximum(reach, reach[-1] - size)
    largest = int(np.argmax(free))
    if free[largest] <= 0:
        return 0, size
    return int(begin[(largest + 1) % begin.size]), int(size - free[largest])
