"""A survey as a map of mean thicknesses, of its cells or of equal blocks of them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from swathe.arrays import Bools, Floats
from swathe.errors import SwatheError
from swathe.evaluation import CellSource
from swathe.station import Axis

__all__ = ["MOST_MAP_CELLS", "CellMap", "map_of"]

MOST_MAP_CELLS = 4_000_000
"""A map has no more cells, and takes some 100 MB with what is computed from it; larger ones are refused."""

# So much of a block must have been measured, that its mean is one of the same area in both surveys.
_LEAST_SHARE = 0.9
_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True)
class CellMap:
    """Mean thicknesses on a grid; all arrays have the shape (index, scan).

    Attributes:
        scan: axis of the columns.
        index: axis of the rows.
        mean: mean thickness, mm; NaN where nothing counts.
        lowest: lowest thickness by the survey's rule, mm; NaN where nothing counts.
        readings: number of readings in each mean.
        cells: number of the survey's cells in each mean.
        excluded: where the plan or an operator excludes.
        unread: required cells of the survey without a reading, by their number, of the whole map.
        apart: cells that were read and do not count: suspect, or doubtful and unconfirmed.
    """

    scan: Axis
    index: Axis
    mean: Floats
    lowest: Floats
    readings: Floats
    cells: Floats
    excluded: Bools
    unread: int = 0
    apart: int = 0

    def __post_init__(self) -> None:
        """Refuse arrays that do not fit.

        Raises:
            SwatheError: a shape is another than that of the axes.
        """
        for name in ("mean", "lowest", "readings", "cells", "excluded"):
            shape = getattr(self, name).shape
            if shape != self.shape:
                message = f"'{name}' has the shape {shape}, the axes {self.shape}"
                raise SwatheError(message)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows (index) and columns (scan)."""
        return self.index.cells, self.scan.cells

    @property
    def counts(self) -> Bools:
        """Where there is a mean."""
        return np.isfinite(self.mean)

    @property
    def cell_area(self) -> float:
        """Area of a cell of the map on the scanned surface, mm²."""
        return self.scan.resolution * self.index.resolution

    @property
    def middle(self) -> tuple[float, float]:
        """The (scan, index) middle of the grid, mm."""
        scan, index = (
            axis.start + (axis.cells - 1) / 2 * axis.resolution for axis in (self.scan, self.index)
        )
        return scan, index

    @classmethod
    def of_arrays(
        cls,
        mean: Floats,
        scan: Axis,
        index: Axis,
        *,
        readings: Floats | None = None,
    ) -> CellMap:
        """Return the map of arrays of shape (index, scan): NaN counts as not measured.

        Args:
            mean: mean thickness of each cell, mm.
            scan: axis of the columns.
            index: axis of the rows.
            readings: of each cell; one unless given.
        """
        values = np.asarray(mean, np.float64)
        read = np.isfinite(values)
        return cls(
            scan,
            index,
            values,
            values,
            read.astype(np.float64) if readings is None else np.where(read, readings, 0.0),
            read.astype(np.float64),
            np.zeros(values.shape, np.bool_),
            int(np.count_nonzero(~read)),
        )

    def coarser(self, rows: int, columns: int) -> CellMap:
        """Return the map of blocks of so many rows and columns; what is left at an end is left out."""
        if (rows, columns) == (1, 1):
            return self
        height, width = self.shape[0] // rows, self.shape[1] // columns

        def blocks_of(values: Floats) -> Floats:
            part = values[: height * rows, : width * columns]
            return part.reshape(height, rows, width, columns)

        def folded(values: Floats) -> Floats:
            return np.asarray(blocks_of(values).sum(axis=(1, 3)))

        known = self.counts
        lowest = blocks_of(np.where(known, self.lowest, np.inf)).min(axis=(1, 3))
        cells, total = folded(self.cells), folded(np.where(known, self.mean * self.cells, 0.0))
        blocks, shut = folded(known.astype(np.float64)), folded(self.excluded.astype(np.float64))
        return replace(
            self,
            scan=_blocked(self.scan, columns),
            index=_blocked(self.index, rows),
            mean=(mean := _means(total, cells, blocks / (rows * columns))),
            lowest=np.where(np.isfinite(mean), lowest, np.nan),
            readings=folded(self.readings),
            cells=cells,
            excluded=shut > rows * columns / 2,
        )


def map_of(
    source: CellSource,
    *,
    width: tuple[float, float] | None = None,
    most_cells: int = MOST_MAP_CELLS,
) -> CellMap:
    """Return the map of a survey, read band by band.

    What is compared are means of readings, never minima: the minimum of several readings of one
    wall is thinner the more readings there are, and a survey with more of them would seem thinner.

    Args:
        source: of the cells; its arrays must have ``thickness_mean``.
        width: sides of a cell of the map on the (scan, index) axis, mm, taken to whole cells of the
            survey; those of the survey unless given. A block counts where nine tenths of its cells do.
        most_cells: a larger map is refused.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: the arrays have no means, or the map would have too many cells.
    """
    sides = (0.0, 0.0) if width is None else width
    rows, columns = _factor(source.index, sides[1]), _factor(source.scan, sides[0])
    shape = (source.shape[0] // rows, source.shape[1] // columns)
    if shape[0] * shape[1] > most_cells:
        side = math.sqrt(source.shape[0] * source.shape[1] * source.cell_area / most_cells)
        message = (
            f"the comparison would have {shape[0] * shape[1]:,} cells, more than {most_cells:,}: "
            f"give the side of its cells, some {math.ceil(side * 10) / 10:g} mm or more"
        )
        raise SwatheError(message)
    try:
        means = source.arrays["thickness_mean"]
    except KeyError as error:
        message = "the arrays are none of a survey: 'thickness_mean' is missing"
        raise SwatheError(message) from error
    mean, lowest, readings, cells = (np.zeros(shape) for _ in range(4))
    excluded = np.zeros(shape, np.bool_)
    unread = apart = 0
    height = max(source.band_rows(rows) // rows, 1) * rows
    scan, index = (_blocked(axis, n) for axis, n in ((source.scan, columns), (source.index, rows)))
    for row in range(0, shape[0] * rows, height):
        after = min(row + height, shape[0] * rows)
        band = source.read(slice(row, after))
        values = np.asarray(means[row:after, 0 : source.shape[1]], np.float64)
        hits = np.asarray(source.arrays["hits"][row:after, 0 : source.shape[1]], np.float64)
        sound = band.sound & np.isfinite(values)
        away = np.count_nonzero(band.apart)
        unread += int(np.count_nonzero(~band.excluded & ~sound) - away)
        apart += int(away)
        part = CellMap(
            source.scan,
            replace(source.index, cells=after - row),
            np.where(sound, values, np.nan),
            np.where(sound, band.thickness, np.nan).astype(np.float64),
            np.where(sound, hits, 0.0),
            sound.astype(np.float64),
            band.excluded,
        ).coarser(rows, columns)
        at = slice(row // rows, after // rows)
        mean[at], readings[at], cells[at] = part.mean, part.readings, part.cells
        excluded[at], lowest[at] = part.excluded, part.lowest
    return CellMap(scan, index, mean, lowest, readings, cells, excluded, unread, apart)


def _factor(axis: Axis, width: float) -> int:
    """Return how many cells of an axis a cell of the map has."""
    cells = max(1, min(math.floor(width / axis.resolution + 0.5), axis.cells))
    # Round a pipe no cell is left over at the seam.
    while axis.wrapped and axis.cells % cells:
        cells -= 1
    return cells


def _blocked(axis: Axis, cells: int) -> Axis:
    """Return an axis whose cells are so many of another's."""
    if cells == 1:
        return axis
    whole = axis.cells // cells
    return Axis(
        axis.name,
        axis.start + (cells - 1) / 2 * axis.resolution,
        axis.resolution * cells,
        whole,
        axis.wrapped and whole * cells == axis.cells,
    )


def _means(total: Floats, cells: Floats, share: Floats) -> Floats:
    """Return means where enough of a block counts, NaN elsewhere."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(share >= _LEAST_SHARE - _ROUNDING, total / cells, np.nan)
