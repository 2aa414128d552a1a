"""What two surveys differ by in a part of the area: the whole, a zone, a square."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools
from swathe.comparison.differences import CellDifferences
from swathe.comparison.rates import Estimate
from swathe.errors import SwatheError
from swathe.evaluation import Zone
from swathe.evaluation.zones import MOST_SQUARES, zone_slices
from swathe.station import Axis

__all__ = [
    "LowestReading",
    "PartArea",
    "PartDifference",
    "part_difference",
    "squares_of",
    "zone_area",
]


@dataclass(frozen=True, slots=True)
class PartArea:
    """A part of the later survey's grid.

    Attributes:
        name: of the part.
        rows: its rows.
        columns: its columns.
        scan: outer borders of its cells on the scan axis, mm; across a seam the first may be the higher.
        index: likewise on the index axis.
    """

    name: str
    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    scan: tuple[float, float]
    index: tuple[float, float]


@dataclass(frozen=True, slots=True)
class LowestReading:
    """The lowest reading of a part in the later survey.

    Attributes:
        thickness: mm, by the survey's rule.
        scan: of its cell of the map, mm.
        index: likewise.
        cell: flat cell of the map.
    """

    thickness: float
    scan: float
    index: float
    cell: int


@dataclass(frozen=True, slots=True)
class PartDifference:
    """What two surveys differ by in a part.

    Attributes:
        area: which part.
        required: cells of the later map that are not excluded.
        pairs: of these compared.
        not_later: not compared, because the later survey did not measure them.
        not_earlier: not compared, because the earlier survey did not measure that place.
        mean: mean difference, later less earlier, mm; None without a pair.
        loss: pairs with a significant loss.
        growth: pairs with a significant growth, which is a matter of the measurement.
        lowest: lowest reading of the later survey, paired or not; None without one.
    """

    area: PartArea
    required: int
    pairs: int
    not_later: int
    not_earlier: int
    mean: Estimate | None
    loss: int
    growth: int
    lowest: LowestReading | None


def whole_area(differences: CellDifferences) -> PartArea:
    """Return the part that is everything."""
    later = differences.later
    return PartArea(
        "all",
        np.arange(later.shape[0]),
        np.arange(later.shape[1]),
        later.scan.edges(0, later.scan.cells - 1),
        later.index.edges(0, later.index.cells - 1),
    )


def zone_area(differences: CellDifferences, zone: Zone) -> PartArea:
    """Return the cells of the later map with their centres in a zone.

    Raises:
        SwatheError: there are none.
    """
    later = differences.later
    cells: list[NDArray[np.int64]] = []
    extents: list[tuple[float, float]] = []
    for axis, extent in ((later.index, zone.index), (later.scan, zone.scan)):
        parts = zone_slices(zone, axis, extent)
        cells.append(np.concatenate([np.arange(part.start, part.stop) for part in parts]))
        low, _ = axis.edges(parts[0].start, parts[0].start)
        _, high = axis.edges(parts[-1].stop - 1, parts[-1].stop - 1)
        extents.append((low, high))
    return PartArea(zone.name, cells[0], cells[1], extents[1], extents[0])


def squares_of(differences: CellDifferences, side: float) -> Iterator[PartArea]:
    """Yield squares of the later map, row by row, from the first cell on, in whole cells.

    Raises:
        SwatheError: there are too many of them, or the side is none.
    """
    later = differences.later
    if not side > 0:
        message = f"the side of a square must be > 0 mm (got {side:g})"
        raise SwatheError(message)
    height, width = (_cells(axis, side) for axis in (later.index, later.scan))
    shape = -(-later.shape[0] // height), -(-later.shape[1] // width)
    if shape[0] * shape[1] > MOST_SQUARES:
        message = (
            f"{shape[0] * shape[1]:,} squares are more than {MOST_SQUARES:,}: take larger ones"
        )
        raise SwatheError(message)
    for row in range(shape[0]):
        rows = np.arange(row * height, min((row + 1) * height, later.shape[0]))
        for column in range(shape[1]):
            columns = np.arange(column * width, min((column + 1) * width, later.shape[1]))
            yield PartArea(
                f"{row + 1}/{column + 1}",
                rows,
                columns,
                later.scan.edges(int(columns[0]), int(columns[-1])),
                later.index.edges(int(rows[0]), int(rows[-1])),
            )


def _cells(axis: Axis, side: float) -> int:
    return max(1, min(round(side / axis.resolution), axis.cells))


def part_difference(
    differences: CellDifferences,
    area: PartArea,
    significant: tuple[Bools, Bools],
    *,
    coverage: float = 0.95,
) -> PartDifference:
    """Return what two surveys differ by in a part.

    Args:
        differences: of the two.
        area: the part.
        significant: pairs with a significant loss, and with a significant growth.
        coverage: level of confidence of intervals.
    """
    at = np.ix_(area.rows, area.columns)
    part = differences.cut(area.rows, area.columns)
    later = differences.later
    required = ~later.excluded[at]
    measured, pairs = later.counts[at], part.pairs
    return PartDifference(
        area,
        int(np.count_nonzero(required)),
        int(np.count_nonzero(pairs)),
        int(np.count_nonzero(required & ~measured)),
        int(np.count_nonzero(measured & ~pairs)),
        part.mean(pairs, coverage=coverage),
        int(np.count_nonzero(significant[0][at])),
        int(np.count_nonzero(significant[1][at])),
        _lowest(differences, area),
    )


def _lowest(differences: CellDifferences, area: PartArea) -> LowestReading | None:
    later = differences.later
    values = later.lowest[np.ix_(area.rows, area.columns)]
    if not np.isfinite(values).any():
        return None
    row, column = divmod(int(np.nanargmin(values)), values.shape[1])
    at_row, at_column = int(area.rows[row]), int(area.columns[column])
    return LowestReading(
        float(values[row, column]),
        float(later.scan.centres[at_column]),
        float(later.index.centres[at_row]),
        at_row * later.shape[1] + at_column,
    )


def ranked(parts: Sequence[PartDifference]) -> list[PartDifference]:
    """Return parts with a mean difference, that with the strongest loss first."""
    known = [part for part in parts if part.mean is not None]
    return sorted(known, key=lambda part: 0.0 if part.mean is None else part.mean.value)
