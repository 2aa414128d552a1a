"""Parts of a survey that are evaluated by themselves: zones that a person names, and squares."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from swathe.errors import SwatheError
from swathe.evaluation.cells import Band, CellSource
from swathe.evaluation.levels import ThicknessLevel
from swathe.evaluation.parts import PartSummary, PartTally
from swathe.evaluation.statistics import PERCENTILES
from swathe.pipeline.progress.fields import Extent
from swathe.station import Axis

__all__ = [
    "MOST_SQUARES",
    "Square",
    "SquareGrid",
    "Zone",
    "ZoneSummary",
    "ZoneTally",
    "zone_slices",
]

MOST_SQUARES = 20_000
"""More squares are refused."""

_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True)
class Zone:
    """A rectangle that a person names.

    Attributes:
        name: of the zone.
        scan: from where to where on the scan axis, mm; None for all of it. On a circumference the
            lower border may be the higher number: the zone is then across the seam.
        index: likewise on the index axis.
    """

    name: str
    scan: tuple[float, float] | None = None
    index: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class ZoneSummary:
    """The figures of a zone: of the cells whose centres are in it, borders included."""

    zone: Zone
    figures: PartSummary


class ZoneTally:
    """Takes bands of whole rows, and gives the figures of a zone.

    Args:
        source: of the cells.
        zone: the zone.
        levels: below which cells are counted.

    Raises:
        SwatheError: no cell's centre is in the zone.
    """

    def __init__(self, source: CellSource, zone: Zone, levels: Sequence[ThicknessLevel]) -> None:
        self._zone = zone
        self._tally = PartTally(source, levels)
        self._rows = zone_slices(zone, source.index, zone.index)
        self._columns = zone_slices(zone, source.scan, zone.scan)

    def add(self, band: Band) -> None:
        """Take the cells of a band."""
        for rows in self._rows:
            for columns in self._columns:
                self._tally.add(band.part(rows, columns))

    def summary(self, percentiles: Sequence[float] = PERCENTILES) -> ZoneSummary:
        """Return the figures of what was taken."""
        return ZoneSummary(self._zone, self._tally.summary(percentiles))


def zone_slices(zone: Zone, axis: Axis, extent: tuple[float, float] | None) -> list[slice]:
    """Return the cells with their centres in an extent; two slices across the seam."""
    if extent is None:
        return [slice(0, axis.cells)]
    low, high = extent
    if axis.wrapped and high < low:
        high += axis.cells * axis.resolution
    first = math.ceil((low - axis.start) / axis.resolution - _ROUNDING)
    after = math.floor((high - axis.start) / axis.resolution + _ROUNDING) + 1
    found: list[slice] = []
    if axis.wrapped and after > first:
        after = min(after, first + axis.cells)
        length, first = after - first, first % axis.cells
        found = [slice(first, min(first + length, axis.cells))]
        if (over := first + length - axis.cells) > 0:
            found.append(slice(0, over))
    elif not axis.wrapped and (first := max(first, 0)) < (after := min(after, axis.cells)):
        found = [slice(first, after)]
    if not found:
        message = f"the zone '{zone.name}' holds no cell: see its borders on the {axis.name} axis"
        raise SwatheError(message)
    return found


@dataclass(frozen=True, slots=True)
class Square:
    """A square of the grid, or what is left of one at its end.

    Attributes:
        row: of the grid of squares, from 0.
        column: likewise.
        scan: outer borders of its cells on the scan axis, mm.
        index: likewise on the index axis.
        whole: whether it has its full size.
        figures: of its cells.
    """

    row: int
    column: int
    scan: Extent
    index: Extent
    whole: bool
    figures: PartSummary


@dataclass(frozen=True, slots=True)
class SquareGrid:
    """Squares over a survey, from its first cell on.

    Attributes:
        source: of the cells.
        height: rows of a square, in cells.
        width: columns of a square.
    """

    source: CellSource
    height: int
    width: int

    @classmethod
    def of(cls, source: CellSource, side: float) -> SquareGrid:
        """Return the grid of squares whose sides are nearest to a length in whole cells.

        Args:
            source: of the cells.
            side: of a square, mm.

        Raises:
            SwatheError: it is no length, or there would be too many squares.
        """
        if not (math.isfinite(side) and side > 0):
            message = f"the side of a square must be above zero (got {side:g} mm)"
            raise SwatheError(message)
        height, width = (
            min(max(1, round(side / axis.resolution)), axis.cells)
            for axis in (source.index, source.scan)
        )
        found = cls(source, height, width)
        rows, columns = found.shape
        if rows * columns > MOST_SQUARES:
            message = f"{rows * columns:,} squares are more than {MOST_SQUARES:,}: take larger ones"
            raise SwatheError(message)
        return found

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of squares."""
        rows, columns = self.source.shape
        return -(-rows // self.height), -(-columns // self.width)

    @property
    def sides(self) -> tuple[float, float]:
        """Sides of a square on the (scan, index) axis in whole cells, mm."""
        return self.width * self.source.scan.resolution, self.height * self.source.index.resolution

    def squares(
        self, levels: Sequence[ThicknessLevel], percentiles: Sequence[float] = PERCENTILES
    ) -> Iterator[Square]:
        """Yield the figures of every square, row by row.

        Raises:
            SurveyError: what is read is not what was written.
        """
        rows, columns = self.source.shape
        together = self.source.band_rows(self.height)
        tallies: list[PartTally] = []
        for begin in range(0, rows, together):
            end = min(begin + together, rows)
            band = self.source.read(slice(begin, end))
            for row in range(begin // self.height, -(-end // self.height)):
                top, bottom = row * self.height, min((row + 1) * self.height, rows)
                tallies = tallies or [PartTally(self.source, levels) for _ in range(self.shape[1])]
                for column, tally in enumerate(tallies):
                    left = column * self.width
                    at = slice(left, min(left + self.width, columns))
                    tally.add(band.part(slice(top, bottom), at))
                if bottom > end:
                    break
                for column, tally in enumerate(tallies):
                    yield self._square(row, column, tally.summary(percentiles))
                tallies = []

    def _square(self, row: int, column: int, figures: PartSummary) -> Square:
        source = self.source
        ends = []
        for axis, number, size in (
            (source.scan, column, self.width),
            (source.index, row, self.height),
        ):
            ends.append((number * size, min((number + 1) * size, axis.cells) - 1))
        (left, right), (top, bottom) = ends
        return Square(
            row,
            column,
            Extent(*source.scan.edges(left, right)),
            Extent(*source.index.edges(top, bottom)),
            right - left + 1 == self.width and bottom - top + 1 == self.height,
            figures,
        )
