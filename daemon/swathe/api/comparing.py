"""Surveys of one part compared, from their folders."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TypedDict

from swathe.comparison import (
    Align,
    Comparison,
    DatedSurvey,
    Trend,
    compare_dated,
    dates_of_part,
    trend_of,
)
from swathe.evaluation import Zone
from swathe.many_surveys import Scheduler
from swathe.object_storage import survey_path
from swathe.store import SurveyFolder

__all__ = ["ComparisonWishes", "compare_surveys", "survey_trend"]


class ComparisonWishes(TypedDict, total=False):
    """What `compare_surveys` is asked in addition to the surveys; see there."""

    align: Align
    shift: tuple[float, float]
    rotation: float
    shift_uncertainty: float | None
    search: float
    search_degrees: float
    shared: float | None
    level: float
    cell: float | None
    zones: Sequence[Zone]
    square: float | None
    required: float | None
    places: int
    years: float | None


def compare_surveys(
    surveys: Sequence[Path | str],
    *,
    align: Align = "datum",
    shift: tuple[float, float] = (0.0, 0.0),
    rotation: float = 0.0,
    shift_uncertainty: float | None = None,
    search: float = 25.0,
    search_degrees: float = 3.0,
    shared: float | None = None,
    level: float = 0.05,
    cell: float | None = None,
    zones: Sequence[Zone] = (),
    square: float | None = None,
    required: float | None = None,
    places: int = 10,
    years: float | None = None,
) -> Comparison:
    """Return surveys of one part compared with the latest of them. Lengths are mm.

    Args:
        surveys: folders or URLs of two surveys or more, the oldest first.
        align: ``"datum"`` by the stated shift; ``"pattern"``: shift and rotation are found in the wall.
        shift: to be added to (scan, index) places of the older surveys for those of the latest.
        rotation: of the older surveys about the datum, degrees from the scan to the index axis.
        shift_uncertainty: standard uncertainty of a stated shift.
        search: so far from the stated shift the pattern is looked for.
        search_degrees: likewise of the rotation.
        shared: standard uncertainty that all readings of a survey share, where no record has it.
        level: share of the cells called significant that may be so by chance.
        cell: side of the cells that are compared; those of the coarser grid unless given.
        zones: that are compared by themselves, in the coordinates of the latest survey.
        square: side of squares that are compared by themselves.
        required: thickness to which the remaining life is stated.
        places: so many places of the strongest loss are listed.
        years: between two surveys, where their dates are not to be used.

    Raises:
        SurveyError: a survey is missing, or what is read is not what was written.
        SwatheError: the surveys cannot be compared; the text has the reason.

    Example:
        >>> import swathe
        >>> found = swathe.compare_surveys(["penstock-3", "penstock-3"], years=1.0)
        >>> found.whole.pairs[0].pairs, round(found.whole.pairs[0].mean.value, 3)
        (19, 0.0)
        >>> found.latest.registration.basis, found.latest.years
        ('datum', 1.0)
        >>> found.whole.pairs[0].mean.low is None, "no calibration record" in found.latest.differences.missing
        (True, True)
        >>> found.dataset().difference.dims
        ('index', 'scan')
    """
    return compare_dated(
        [DatedSurvey.of_folder(SurveyFolder(survey_path(path)), shared=shared) for path in surveys],
        align=align,
        shift=shift,
        rotation=rotation,
        shift_uncertainty=shift_uncertainty,
        search=search,
        search_degrees=search_degrees,
        level=level,
        cell=cell,
        zones=zones,
        square=square,
        required=required,
        places=places,
        years=years,
    )


def survey_trend(
    surveys: Sequence[Path | str],
    *,
    part: str = "",
    area: str = "",
    align: Align = "datum",
    shared: float | None = None,
    cell: float | None = None,
    zones: Sequence[Zone] = (),
    square: float | None = None,
    scheduler: Scheduler | None = None,
) -> Trend:
    """Return the mean thickness of a part by survey and zone, and its rate of loss. Lengths are mm.

    Args:
        surveys: survey folders or URLs, or folders with surveys at any depth; three surveys or more.
        part: of which part; all surveys are of one unless given.
        area: of which area of the station file.
        align: ``"datum"``; or ``"pattern"``: shift and rotation are found in the wall.
        shared: standard uncertainty that all readings of a survey share, where no record has it.
        cell: side of the cells that are compared; those of the coarsest grid unless given.
        zones: that have a series by themselves, in the coordinates of the latest survey.
        square: side of squares that have one.
        scheduler: of dask, see `over_surveys`; one survey after another unless given. The memory it takes does
            not grow with the surveys as their arrays do.

    Raises:
        SurveyError: a survey is missing, or what is read is not what was written.
        SwatheError: there are too few surveys, or they are of several parts.

    Example:
        >>> import swathe
        >>> swathe.survey_trend(["penstock-3"])
        Traceback (most recent call last):
        swathe.errors.SwatheError: a trend requires 3 surveys or more (got 1); `swathe compare` takes two
    """
    dates = dates_of_part(
        [survey_path(path) for path in surveys], part=part, area=area, scheduler=scheduler
    )
    return trend_of(
        dates,
        align=align,
        shared=shared,
        cell=cell,
        zones=zones,
        square=square,
        scheduler=scheduler,
    )
