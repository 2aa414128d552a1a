"""The surveys of a part over years, each compared with the latest: means by zone, and their trend.

Only cells that every survey measured are in the means, so that no mean changes with what was scanned.
Hence each survey is read twice: which of its cells are paired, and then its means over the common ones.
Each task reads two surveys, and what is kept of a survey is a bit for each cell and a few figures: the
memory does not grow with the surveys as their arrays do.

What all readings of a survey share moves its mean as a whole: it is a random effect of the survey, apart
for each, and no number of cells makes it smaller.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools
from swathe.comparison.dated import DAYS_PER_YEAR, DatedSurvey, SurveyDate
from swathe.comparison.pairing import Align, compare_pair
from swathe.comparison.pairs import PairComparison
from swathe.comparison.parts import PartArea, squares_of, whole_area, zone_area
from swathe.comparison.registration import Registration
from swathe.comparison.survey_errors import SurveyErrors
from swathe.comparison.trend import (
    LEAST_SURVEYS,
    Trend,
    TrendPair,
    TrendPoint,
    ZoneTrend,
    fit_trend,
)
from swathe.errors import SwatheError
from swathe.evaluation import Zone
from swathe.many_surveys import Scheduler, over_surveys
from swathe.object_storage import survey_path
from swathe.store import SurveyFolder

__all__ = ["trend_of"]


@dataclass(frozen=True, slots=True)
class _Wishes:
    """How each survey is compared with the latest one."""

    latest: str
    align: Align
    shared: float | None
    cell: float | None
    widths: tuple[float, float]

    def pair(self, name: str) -> PairComparison:
        """Return a survey, by its name, compared with the latest."""
        earlier, latest = (_opened(one, self.shared) for one in (name, self.latest))
        return compare_pair(
            earlier,
            latest,
            Registration(),
            align=self.align,
            cell=self.cell,
            widths=self.widths,
            look=False,
        )


@dataclass(frozen=True, slots=True)
class _AreaMean:
    """Mean thickness of an area in a survey, mm, and its variance by what is apart for each cell, mm²."""

    mean: float
    own: float


@dataclass(frozen=True, slots=True)
class _Means:
    """What is kept of a pair: None for areas without a common cell."""

    pair: TrendPair
    areas: tuple[_AreaMean | None, ...]
    errors: SurveyErrors


def trend_of(
    dates: Sequence[SurveyDate],
    *,
    align: Align = "datum",
    shared: float | None = None,
    cell: float | None = None,
    zones: Sequence[Zone] = (),
    square: float | None = None,
    scheduler: Scheduler | None = None,
) -> Trend:
    """Return the trend of a part. Lengths are mm.

    Args:
        dates: of its surveys, the oldest first.
        align: by which places are paired, see `compare_dated`.
        shared: standard uncertainty that all readings of a survey share, where a person states it.
        cell: side of the cells that are compared; those of the coarsest survey unless given.
        zones: in the coordinates of the latest survey.
        square: side of squares that have a series by themselves.
        scheduler: see `over_surveys`.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: fewer than three surveys, or no cell that all of them measured.
    """
    if len(dates) < LEAST_SURVEYS:
        message = (
            f"a trend requires {LEAST_SURVEYS} surveys or more (got {len(dates)}); "
            "`swathe compare` takes two"
        )
        raise SwatheError(message)
    widths = (max(one.resolution[0] for one in dates), max(one.resolution[1] for one in dates))
    wishes = _Wishes(dates[-1].name, align, shared, cell, widths)
    names = [one.name for one in dates[:-1]]
    last = wishes.pair(names[-1])
    common = last.differences.pairs
    for paired in over_surveys(partial(_paired, wishes), names[:-1], scheduler=scheduler):
        common &= _unpacked(paired, common.shape)
    if not common.any():
        message = "no cell was measured in all surveys: see their areas, or leave one out"
        raise SwatheError(message)
    areas = [whole_area(last.differences)]
    areas += [zone_area(last.differences, zone) for zone in zones]
    if square is not None:
        areas += squares_of(last.differences, square)
    task = partial(_means, wishes, np.packbits(common), common.shape, areas)
    means = [
        *over_surveys(task, names[:-1], scheduler=scheduler),
        _means_of(last, common, areas),
    ]
    found = [_zone(dates, means, last, common, areas, number) for number in range(len(areas))]
    latest = _opened(dates[-1].name, shared)
    return Trend(tuple(dates), tuple(one.pair for one in means), latest, found[0], tuple(found[1:]))


def _opened(name: str, shared: float | None) -> DatedSurvey:
    return DatedSurvey.of_folder(SurveyFolder(Path(survey_path(name))), shared=shared)


def _paired(wishes: _Wishes, name: str) -> NDArray[np.uint8]:
    """Return which cells of the latest survey have a pair in another one, as bits."""
    return np.packbits(wishes.pair(name).differences.pairs)


def _unpacked(bits: NDArray[np.uint8], shape: tuple[int, ...]) -> Bools:
    return np.unpackbits(bits, count=int(np.prod(shape))).reshape(shape).astype(np.bool_)


def _means(
    wishes: _Wishes,
    common: NDArray[np.uint8],
    shape: tuple[int, ...],
    areas: Sequence[PartArea],
    name: str,
) -> _Means:
    """Return the means of a survey over the common cells, which are bits."""
    return _means_of(wishes.pair(name), _unpacked(common, shape), areas)


def _means_of(pair: PairComparison, common: Bools, areas: Sequence[PartArea]) -> _Means:
    found: list[_AreaMean | None] = []
    for area in areas:
        chosen = common[np.ix_(area.rows, area.columns)]
        if not chosen.any():
            found.append(None)
            continue
        part = pair.differences.cut(area.rows, area.columns)
        apart, placed = part.mean_variances(chosen)
        # What is apart for each cell of a pair is taken to be of both surveys alike.
        found.append(_AreaMean(float(part.before[chosen].mean()), apart / 2 + placed))
    about = TrendPair(pair.earlier, pair.registration, pair.notes)
    return _Means(about, tuple(found), pair.errors[0])


def _zone(
    dates: Sequence[SurveyDate],
    pairs: Sequence[_Means],
    last: PairComparison,
    common: Bools,
    areas: Sequence[PartArea],
    number: int,
) -> ZoneTrend:
    """Return the series of an area, by its number."""
    area = areas[number]
    at = np.ix_(area.rows, area.columns)
    chosen = common[at]
    required = int(np.count_nonzero(~last.differences.later.excluded[at]))
    cells = int(np.count_nonzero(chosen))
    known = [one for pair in pairs if (one := pair.areas[number]) is not None]
    if not cells:
        return ZoneTrend(area, 0, required, (), None, None, None)
    means = [one.mean for one in known]
    means.append(float(last.differences.later.mean[at][chosen].mean()))
    own = [one.own for one in known]
    own.append(last.differences.cut(area.rows, area.columns).mean_variances(chosen)[0] / 2)
    errors = [*(pair.errors for pair in pairs), last.errors[1]]
    complete = not any(one.missing for one in errors)
    shared = np.array(
        [float(one.shared_at(np.array([mean]))[0]) for one, mean in zip(errors, means, strict=True)]
    )
    standard = np.sqrt(np.array(own) + shared**2)
    end = dates[-1].moment
    years = np.array(
        [(one.moment - end).total_seconds() / (86400 * DAYS_PER_YEAR) for one in dates]
    )
    fit = fit_trend(
        years,
        np.array(means),
        standard if complete else None,
        shared=shared,
        shared_dof=np.array([one.shared_dof for one in errors]),
        bends=len(areas),
    )
    points = tuple(
        TrendPoint(survey.name, survey.moment, float(-year), mean, float(u) if complete else None)
        for survey, year, mean, u in zip(dates, years, means, standard, strict=True)
    )
    return ZoneTrend(
        area,
        cells,
        required,
        points,
        fit.slope.scaled(-1),
        fit.excess,
        None if fit.bend is None else fit.bend.scaled(-1),
    )
