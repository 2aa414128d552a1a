"""Connected areas below a level, followed from band to band.

Cells that count and are below the level belong to one area when they share a side or, if asked,
a corner; round a pipe the last cell of the circumference is next to the first. Within a band
`scipy.ndimage.label` finds them; areas that go on into the next band are joined by connected
components of what touches. An area that no later band can touch is closed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from swathe.arrays import Ints
from swathe.evaluation.cells import Band, CellSource
from swathe.evaluation.levels import ThicknessLevel
from swathe.evaluation.lowest import LowPlace
from swathe.evaluation.regions import BORDERS_EXCLUDED, BORDERS_UNSEEN, Regions
from swathe.pipeline.progress.fields import Extent

__all__ = ["ThinArea", "ThinAreas", "ThinAreasBelow"]

# Of the closed areas so many with the lowest thicknesses are kept; all are counted.
_MOST_KEPT = 10_000
_NM_PER_MM = 1_000_000
_SIDES = ndimage.generate_binary_structure(2, 1)
_CORNERS = ndimage.generate_binary_structure(2, 2)


@dataclass(frozen=True, slots=True)
class ThinArea:
    """A connected area below a level.

    Attributes:
        cells: how many.
        area: on the scanned surface, mm².
        scan: outer borders of its cells on the scan axis, mm; past the seam of a pipe the higher one
            is beyond a turn.
        index: likewise on the index axis.
        lowest: its lowest cell, the first of equal ones.
        depth: of that cell below the level, mm.
        mean: thickness of its cells, mm.
        borders_unseen: whether it is next to a required cell on which nothing is known: it may be
            larger, and deeper.
        borders_excluded: whether it is next to an excluded cell.
        borders_edge: whether it reaches an end of the scanned area.
    """

    cells: int
    area: float
    scan: Extent
    index: Extent
    lowest: LowPlace
    depth: float
    mean: float
    borders_unseen: bool
    borders_excluded: bool
    borders_edge: bool


@dataclass(frozen=True, slots=True)
class ThinAreasBelow:
    """The connected areas below a level.

    Attributes:
        level: the level.
        corners: whether cells that share only a corner are connected.
        count: how many areas there are.
        cells: of all of them together.
        borders_unseen: how many of them are next to required cells on which nothing is known.
        areas: those with the lowest thicknesses, the lowest first.
    """

    level: ThicknessLevel
    corners: bool
    count: int
    cells: int
    borders_unseen: int
    areas: tuple[ThinArea, ...]


class ThinAreas:
    """Follows the areas below a level; bands come in their order.

    Args:
        source: of the cells.
        level: below which a cell is thin.
        corners: whether cells that share only a corner are connected.
    """

    def __init__(self, source: CellSource, level: ThicknessLevel, *, corners: bool = False) -> None:
        self._source = source
        self._level = level
        self._limit = np.float32(level.mm)
        self._corners = corners
        self._structure = _CORNERS if corners else _SIDES
        self._regions = Regions.none()
        # Of the first and the newest row: the number of the region in each column, -1 without one;
        # and which cells are unseen or excluded.
        none = np.full(source.scan.cells, -1, np.int64)
        self._first, self._last = none, none
        self._first_bits = self._last_bits = np.zeros(none.size, np.uint8)
        self._closed = Regions.none()
        self.count = 0
        self.cells = 0
        self._unseen = 0

    def add(self, band: Band) -> None:
        """Take the cells of a band of whole rows."""
        thin = band.sound & (band.thickness < self._limit)
        bits = band.unseen * np.uint8(BORDERS_UNSEEN) + band.excluded * np.uint8(BORDERS_EXCLUDED)
        labels, count = ndimage.label(thin, self._structure)
        names = labels.astype(np.int64) - 1
        found = Regions.of_labels(names, band, count, self._around(bits))
        links = self._seam(names)
        offset = self._regions.size
        names = np.where(names >= 0, names + offset, -1)
        links = [pair + offset for pair in links]
        if band.row:
            pairs = self._touching(self._last, names[0])
            links.append(pairs)
        both = self._regions.joined_with(found)
        if band.row:
            both.mark(self._last, self._spread(bits[0]))
            both.mark(names[0], self._spread(self._last_bits))
        else:
            self._first_bits = bits[0].copy()
        number, size = _components(both.size, links)
        self._regions = both.combined(number, size, self._source)
        if self._source.index.wrapped:
            self._first = _renamed(self._first if band.row else names[0], number)
        self._last = _renamed(names[-1], number)
        self._last_bits = bits[-1].copy()
        self._close()

    def result(self, most: int) -> ThinAreasBelow:
        """Return the areas after the last band.

        Args:
            most: so many are described, those with the lowest thicknesses.
        """
        if self._source.index.wrapped and self._source.index.cells > 1:
            self._regions.mark(self._last, self._spread(self._first_bits))
            self._regions.mark(self._first, self._spread(self._last_bits))
            links = [self._touching(self._last, self._first)]
            number, size = _components(self._regions.size, links)
            self._regions = self._regions.combined(number, size, self._source)
        self._first = self._last = np.full(self._source.scan.cells, -1, np.int64)
        self._close()
        lowest = self._closed.lowest(most)
        return ThinAreasBelow(
            self._level,
            self._corners,
            self.count,
            self.cells,
            self._unseen,
            tuple(self._area(lowest, number) for number in range(lowest.size)),
        )

    def _close(self) -> None:
        """Set aside the regions that nothing to come can touch."""
        held = np.zeros(self._regions.size, bool)
        ends = (self._last, self._first) if self._source.index.wrapped else (self._last,)
        for end in ends:
            held[end[end >= 0]] = True
        done = self._regions.taken(~held)
        self.count += done.size
        self.cells += int(done.cells.sum())
        self._unseen += int(np.count_nonzero(done.borders & BORDERS_UNSEEN))
        self._closed = self._closed.joined_with(done).lowest(_MOST_KEPT)
        number = np.cumsum(held) - 1
        self._regions = self._regions.taken(held)
        self._last = _renamed(self._last, number)
        if self._source.index.wrapped:
            self._first = _renamed(self._first, number)

    def _spread(self, bits: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the bits of a row as cells of the row next to it touch them."""
        if not self._corners:
            return bits
        return bits | self._shifted(bits, 1) | self._shifted(bits, -1)

    def _shifted(self, row: NDArray[np.uint8], by: int) -> NDArray[np.uint8]:
        moved = np.roll(row, by)
        if not self._source.scan.wrapped:
            moved[0 if by > 0 else -1] = 0
        return moved

    def _around(self, bits: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the bits of the cells next to each cell, within the band."""
        wide = np.pad(bits, 1)
        if self._source.scan.wrapped:
            wide[1:-1, 0], wide[1:-1, -1] = bits[:, -1], bits[:, 0]
        around = wide[1:-1, :-2] | wide[1:-1, 2:] | wide[:-2, 1:-1] | wide[2:, 1:-1]
        if self._corners:
            around |= wide[:-2, :-2] | wide[:-2, 2:] | wide[2:, :-2] | wide[2:, 2:]
        return np.asarray(around)

    def _seam(self, names: Ints) -> list[Ints]:
        """Return the pairs of labels that touch across the seam of a wrapped scan axis."""
        if not self._source.scan.wrapped or self._source.scan.cells < 2:
            return []
        left, right = names[:, 0], names[:, -1]
        pairs = [_pairs(left, right)]
        if self._corners:
            pairs += [_pairs(left[1:], right[:-1]), _pairs(left[:-1], right[1:])]
        return pairs

    def _touching(self, upper: Ints, lower: Ints) -> Ints:
        """Return the pairs of regions of two rows that touch."""
        pairs = [_pairs(upper, lower)]
        if self._corners:
            pairs += [_pairs(upper[:-1], lower[1:]), _pairs(upper[1:], lower[:-1])]
            if self._source.scan.wrapped:
                pairs += [_pairs(upper[-1:], lower[:1]), _pairs(upper[:1], lower[-1:])]
        return np.concatenate(pairs, axis=1)

    def _area(self, regions: Regions, at: int) -> ThinArea:
        source = self._source
        lowest = float(regions.thickness[at])
        cells = int(regions.cells[at])
        spans = []
        edge = False
        for axis, first, length in (
            (source.scan, int(regions.column[at]), int(regions.columns[at])),
            (source.index, int(regions.row[at]), int(regions.rows[at])),
        ):
            spans.append(Extent(*axis.edges(first, first + length - 1)))
            edge |= not axis.wrapped and (first == 0 or first + length == axis.cells)
        return ThinArea(
            cells,
            cells * source.cell_area,
            spans[0],
            spans[1],
            LowPlace(lowest, *source.place(int(regions.cell[at]))),
            self._level.mm - lowest,
            int(regions.total[at]) / cells / _NM_PER_MM,
            bool(regions.borders[at] & BORDERS_UNSEEN),
            bool(regions.borders[at] & BORDERS_EXCLUDED),
            edge,
        )


def _pairs(one: Ints, other: Ints) -> Ints:
    both = (one >= 0) & (other >= 0)
    return np.stack((one[both], other[both]))


def _renamed(row: Ints, number: Ints) -> Ints:
    """Return a row of numbers, -1 for none, by what is called now."""
    if not number.size:
        return np.full(row.size, -1, np.int64)
    return np.where(row >= 0, number[row], -1)


def _components(size: int, links: list[Ints]) -> tuple[Ints, int]:
    """Return the component of each of `size` regions, and how many components there are."""
    pairs = np.concatenate([np.empty((2, 0), np.int64), *links], axis=1)
    if not pairs.size:
        return np.arange(size), size
    graph = coo_array((np.ones(pairs.shape[1], bool), tuple(pairs)), shape=(size, size))
    count, number = connected_components(graph, directed=False)
    return number.astype(np.int64), int(count)
