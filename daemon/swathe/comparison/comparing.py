"""The comparison of surveys of one part: pairs with the latest one, parts of the area, rates, life."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from swathe.comparison.cell_map import MOST_MAP_CELLS
from swathe.comparison.dated import DatedSurvey
from swathe.comparison.pairing import Align, compare_pair
from swathe.comparison.pairs import LEAST_YEARS, LossPlace, PairComparison
from swathe.comparison.parts import (
    PartArea,
    PartDifference,
    part_difference,
    squares_of,
    whole_area,
    zone_area,
)
from swathe.comparison.rates import Estimate, Life, estimate, remaining_life
from swathe.comparison.registration import Registration
from swathe.errors import SwatheError
from swathe.evaluation import Zone

if TYPE_CHECKING:
    import xarray

__all__ = ["Comparison", "PartComparison", "compare_dated"]

_SEPARATION_CELLS: Final = 3
_COVERAGE: Final = 0.95


@dataclass(frozen=True, slots=True)
class PartComparison:
    """A part of the area in all pairs.

    Attributes:
        area: which part.
        pairs: what it differs by from each earlier survey, the oldest first.
        rates: of loss by the mean difference of each pair, mm/year; the first is the long-term, the last
            the short-term rate.
        governing: the larger of the two; None without one.
        life: from the lowest reading of the part to the required thickness, by the governing rate; None
            where no thickness is required or nothing was measured.
        local_rate: of loss where that lowest reading is, by the shortest interval of time; None
            without a pair there.
        local_life: by that rate.
    """

    area: PartArea
    pairs: tuple[PartDifference, ...]
    rates: tuple[Estimate | None, ...]
    governing: Estimate | None
    life: Life | None
    local_rate: Estimate | None
    local_life: Life | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Surveys of one part compared with the latest of them. Lengths are mm.

    Attributes:
        surveys: that were compared, the oldest first.
        pairs: each earlier survey compared with the latest, the oldest first.
        whole: everything.
        zones: each zone.
        squares: each square, row by row.
        places: places with the strongest significant loss since the last survey before.
        separation: least distance between two of them.
        required: thickness that a person states; None without one.
        coverage: level of confidence of intervals.
    """

    surveys: tuple[DatedSurvey, ...]
    pairs: tuple[PairComparison, ...]
    whole: PartComparison
    zones: tuple[PartComparison, ...]
    squares: tuple[PartComparison, ...]
    places: tuple[LossPlace, ...]
    separation: float
    required: float | None
    coverage: float = _COVERAGE

    @property
    def latest(self) -> PairComparison:
        """The comparison with the last survey before."""
        return self.pairs[-1]

    def dataset(self) -> xarray.Dataset:
        """Return the latest pair over (index, scan), see `PairComparison.dataset`."""
        return self.latest.dataset()


def compare_dated(
    surveys: Sequence[DatedSurvey],
    *,
    align: Align = "datum",
    shift: tuple[float, float] = (0.0, 0.0),
    rotation: float = 0.0,
    shift_uncertainty: float | None = None,
    search: float = 25.0,
    search_degrees: float = 3.0,
    level: float = 0.05,
    cell: float | None = None,
    zones: Sequence[Zone] = (),
    square: float | None = None,
    required: float | None = None,
    places: int = 10,
    separation: float | None = None,
    years: float | None = None,
    most_cells: int = MOST_MAP_CELLS,
) -> Comparison:
    """Return the comparison of surveys of one part.

    Args:
        surveys: two or more, the oldest first.
        align: ``datum`` by the stated shift, or ``pattern``: shift and rotation are found in the
            wall, from there on.
        shift: to be added to (scan, index) places of earlier surveys for those of the latest, mm.
        rotation: of earlier surveys about the datum (0, 0), degrees from the scan axis to the index axis.
        shift_uncertainty: standard uncertainty of a stated shift, mm on either axis.
        search: so far from the stated shift the pattern is looked for, mm.
        search_degrees: likewise of the rotation.
        level: of significance, over all cells together.
        cell: side of the cells that are compared, mm; those of the coarser grid unless given.
        zones: in the coordinates of the latest survey.
        square: side of squares that are compared by themselves, mm.
        required: thickness to which the remaining life is stated, mm.
        places: so many places of the strongest loss are listed.
        separation: least distance between two of them, mm; three cells unless given.
        years: between two surveys, where their dates are not to be used.
        most_cells: maps with more cells are refused.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: the surveys cannot be compared, or the pattern does not carry it; the text has
            the reason.
    """
    _check(surveys, level, years, cell, required)
    latest = surveys[-1]
    stated = Registration(
        scan=shift[0],
        index=shift[1],
        rotation=rotation,
        covariance=np.diag([(shift_uncertainty or 0.0) ** 2] * 2 + [0.0]),
        stated=shift_uncertainty is not None,
    )
    pairs = [
        compare_pair(
            one, latest, stated, align=align, search=search, search_degrees=search_degrees,
            level=level, cell=cell, years=years, most_cells=most_cells,
        )
        for one in surveys[:-1]
    ]  # fmt: skip
    last = pairs[-1].differences
    # Parts are of one grid: that of the latest survey may be coarser in a pair with a coarse one.
    areas = [whole_area(last), *(zone_area(last, zone) for zone in zones)]
    squares = list(squares_of(last, square)) if square is not None else []
    parts = [_part(pairs, area, required) for area in [*areas, *squares]]
    apart = separation or _SEPARATION_CELLS * max(
        axis.resolution for axis in (last.later.scan, last.later.index) if axis.cells > 1
    )
    return Comparison(
        tuple(surveys),
        tuple(pairs),
        parts[0],
        tuple(parts[1 : len(areas)]),
        tuple(parts[len(areas) :]),
        pairs[-1].loss_places(places, apart),
        apart,
        required,
    )


def _check(
    surveys: Sequence[DatedSurvey],
    level: float,
    years: float | None,
    cell: float | None,
    required: float | None,
) -> None:
    """Refuse what cannot be compared.

    Raises:
        SwatheError: an argument is none.
    """
    if len(surveys) < 2:
        message = "a comparison requires two surveys or more, the oldest first"
        raise SwatheError(message)
    if not 0 < level < 0.5:
        message = f"the level of significance must be between 0 and 50 % (got {100 * level:g} %)"
        raise SwatheError(message)
    if years is not None and (len(surveys) > 2 or not (math.isfinite(years) and years > 0)):
        message = f"the years must be > 0, and are between two surveys (got {years:g})"
        raise SwatheError(message)
    for name, value in (("the side of a cell", cell), ("the required thickness", required)):
        if value is not None and not (math.isfinite(value) and value > 0):
            message = f"{name} must be > 0 mm (got {value:g})"
            raise SwatheError(message)


def _part(
    pairs: Sequence[PairComparison], area: PartArea, required: float | None
) -> PartComparison:
    """Return a part in all pairs; in those with another grid it is the cells in its borders."""
    last = pairs[-1]
    found: list[PartDifference] = []
    for pair in pairs:
        own = area
        if pair.differences.later.shape != last.differences.later.shape:
            whole = area.rows.size, area.columns.size
            own = (
                whole_area(pair.differences)
                if whole == last.differences.later.shape
                else zone_area(pair.differences, _zone(area))
            )
        found.append(part_difference(pair.differences, own, (pair.loss, pair.growth)))
    rates = tuple(pair.rate(one.mean) for pair, one in zip(pairs, found, strict=True))
    known = [rate for rate in (rates[0], rates[-1]) if rate is not None]
    governing = max(known, key=lambda rate: rate.value) if known else None
    life, local_rate, local_life = None, None, None
    lowest = found[-1].lowest
    if required is not None and lowest is not None:
        error = last.errors[1]
        shared = float(error.shared_at(np.array([lowest.thickness]))[0])
        u_now = math.hypot(error.repeatability, error.coupling, shared)
        if governing is not None:
            years = pairs[rates.index(governing)].years
            life = remaining_life(
                lowest.thickness, required, governing, u_now=u_now, covariance=-(shared**2) / years
            )
        row, column = divmod(lowest.cell, last.differences.later.shape[1])
        one = last.differences.cut(np.array([row]), np.array([column]))
        if one.pairs.any() and last.years >= LEAST_YEARS:
            standard = None if one.missing else float(one.standard[0, 0])
            local = estimate(float(one.values[0, 0]), standard, float(one.dof[0, 0]))
            local_rate = local.scaled(-1 / last.years)
            local_life = remaining_life(
                lowest.thickness,
                required,
                local_rate,
                u_now=u_now,
                covariance=-(u_now**2) / last.years,
            )
    return PartComparison(area, tuple(found), rates, governing, life, local_rate, local_life)


def _zone(area: PartArea) -> Zone:
    return Zone(area.name, area.scan, area.index)
