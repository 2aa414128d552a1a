"""The lowest places of a survey that are separate from each other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Floats
from swathe.evaluation.cells import Band, CellSource
from swathe.station import Axis

__all__ = ["LowPlace", "LowestPlaces"]

# Candidates that are kept: 12 bytes each, several times that while bands are taken in.
_MOST_KEPT = 1 << 20


@dataclass(frozen=True, slots=True)
class LowPlace:
    """A cell that is lower than all within the separation.

    Attributes:
        thickness: mm.
        scan: position of its centre on the scan axis, mm.
        index: likewise on the index axis, mm.
    """

    thickness: float
    scan: float
    index: float


class LowestPlaces:
    """Follows the lowest cells of bands, and picks places that are far enough apart.

    The lowest cell is the first place; the next one is the lowest of the cells that are at least
    the separation away from it, and so on. Of equal cells the first one of the grid counts.

    Args:
        source: of the cells.
        most: so many places.
        separation: least distance between two places' centres, mm.

    Attributes:
        exhausted: whether fewer places than wanted were found because only the lowest cells were
            looked at: there may be more.
    """

    def __init__(self, source: CellSource, most: int, separation: float) -> None:
        self._source = source
        self._most = most
        self._separation = separation
        # All cells nearer than the separation to the places before a place bound how many cells
        # may be lower than it.
        around = math.prod(
            min(2 * math.floor(separation / axis.resolution) + 1, axis.cells)
            for axis in (source.scan, source.index)
        )
        self._kept = min(max(most - 1, 0) * around + 1, _MOST_KEPT) if most else 0
        self._complete = max(most - 1, 0) * around + 1 <= _MOST_KEPT
        self._values: NDArray[np.float32] = np.empty(0, np.float32)
        self._cells: Cells = np.empty(0, np.int64)
        self.exhausted = False

    def add(self, band: Band, where: Bools) -> None:
        """Take the cells that `where` marks; bands come in their order."""
        if not self._kept:
            return
        if self._values.size >= self._kept:
            where = where & (band.thickness < self._values[-1])
        cells, values = band.cells(where), band.thickness[where]
        if values.size > self._kept:
            below = values <= np.partition(values, self._kept - 1)[self._kept - 1]
            cells, values = cells[below], values[below]
        values = np.concatenate((self._values, values))
        cells = np.concatenate((self._cells, cells))
        order = np.lexsort((cells, values))[: self._kept]
        self._values, self._cells = values[order], cells[order]

    def places(self) -> tuple[LowPlace, ...]:
        """Return the places, the lowest first."""
        source, places = self._source, list[LowPlace]()
        rows, columns = np.divmod(self._cells, source.scan.cells)
        scan = source.scan.start + columns * source.scan.resolution
        index = source.index.start + rows * source.index.resolution
        free = np.ones(self._cells.size, bool)
        while len(places) < self._most and free.any():
            at = int(np.argmax(free))
            places.append(LowPlace(float(self._values[at]), float(scan[at]), float(index[at])))
            apart = np.hypot(
                _distances(source.scan, scan, scan[at]), _distances(source.index, index, index[at])
            )
            free &= apart >= self._separation
            free[at] = False
        self.exhausted = (
            not self._complete and self._values.size == self._kept and len(places) < self._most
        )
        return tuple(places)


def _distances(axis: Axis, positions: Floats, one: float) -> Floats:
    """Return how far positions are from one, mm; round a pipe by the shorter path."""
    apart = np.abs(positions - one)
    if axis.wrapped:
        turn = axis.cells * axis.resolution
        apart = np.minimum(apart, turn - apart)
    return np.asarray(apart)
