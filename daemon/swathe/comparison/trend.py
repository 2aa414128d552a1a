"""A part scanned over years: what a trend states, and the line through its points."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from swathe.arrays import Floats
from swathe.comparison.dated import DatedSurvey, SurveyDate
from swathe.comparison.parts import PartArea
from swathe.comparison.rates import Estimate, estimate
from swathe.comparison.registration import Registration
from swathe.errors import SwatheError

__all__ = [
    "LEAST_SURVEYS",
    "Trend",
    "TrendFit",
    "TrendPair",
    "TrendPoint",
    "ZoneTrend",
    "fit_trend",
]

LEAST_SURVEYS: Final = 3
"""Surveys that a trend requires."""
_LEAST_FOR_BEND: Final = 4
_COVERAGE: Final = 0.95


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """The mean thickness of a zone in a survey.

    Attributes:
        survey: name of the survey.
        moment: the middle of the time in which it was measured, UTC by its computer's clock.
        years: before the latest survey; 0 for that one.
        mean: thickness of the common cells, mm.
        standard: its standard uncertainty; None where what the readings share is not known.
    """

    survey: str
    moment: datetime
    years: float
    mean: float
    standard: float | None


@dataclass(frozen=True, slots=True)
class TrendFit:
    """A straight line by least squares, and what speaks against its being straight.

    Attributes:
        slope: change in a year.
        excess: square root of chi square over its degrees of freedom; the interval is widened by it where
            it is above 1. None where the uncertainties of the points are not known.
        bend: change of the slope in a year, of a parabola; None with fewer than four points.
    """

    slope: Estimate
    excess: float | None
    bend: Estimate | None


@dataclass(frozen=True, slots=True)
class ZoneTrend:
    """The series of a zone.

    Attributes:
        area: which zone, in the coordinates of the latest survey.
        cells: that every survey measured.
        required: cells of the latest survey there that are not excluded.
        points: one a survey, the oldest first; none without a common cell.
        rate: of loss, mm/year; None without points.
        excess: see `TrendFit`.
        acceleration: by how much the rate of loss rises in a year, mm/year²; None with fewer than
            four surveys.
    """

    area: PartArea
    cells: int
    required: int
    points: tuple[TrendPoint, ...]
    rate: Estimate | None
    excess: float | None
    acceleration: Estimate | None

    @property
    def accelerates(self) -> bool:
        """Whether the data show that the loss becomes faster."""
        return self.acceleration is not None and self.acceleration.above_zero


@dataclass(frozen=True, slots=True)
class TrendPair:
    """An earlier survey next to the latest.

    Attributes:
        earlier: name of the earlier survey.
        registration: by which places were paired.
        notes: on dates and errors.
    """

    earlier: str
    registration: Registration
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Trend:
    """A part over its surveys.

    Attributes:
        surveys: the oldest first.
        pairs: each earlier survey next to the latest, the oldest first.
        latest: the latest one.
        whole: everything.
        zones: each zone, then each square.
        coverage: level of confidence of the intervals of rates. Those of accelerations together have it, over
            all zones: one among many would bend by chance.
    """

    surveys: tuple[SurveyDate, ...]
    pairs: tuple[TrendPair, ...]
    latest: DatedSurvey
    whole: ZoneTrend
    zones: tuple[ZoneTrend, ...]
    coverage: float = _COVERAGE


def fit_trend(
    years: Floats,
    values: Floats,
    standard: Floats | None,
    *,
    shared: Floats | None = None,
    shared_dof: Floats | None = None,
    bends: int = 1,
) -> TrendFit:
    """Return the line through points by weighted least squares.

    Where the points scatter more than their uncertainties explain, these are multiplied by the ratio
    (R. T. Birge, Physical Review 40, 207, 1932; from memory) and the interval is Student's with the
    points' degrees of freedom. Where uncertainties are not known, they are estimated from the scatter.

    Args:
        years: of the points, three or more.
        values: of the points.
        standard: their standard uncertainties, independent from point to point; None where unknown.
        shared: the part of each that rests on an estimate with few degrees of freedom.
        shared_dof: the degrees of freedom of that.
        bends: number of lines whose bends are looked at together.

    Raises:
        SwatheError: fewer than three points, or all at one time.
    """
    count = years.size
    if count < LEAST_SURVEYS or not np.ptp(years) > 0:
        message = (
            f"a trend requires {LEAST_SURVEYS} surveys or more at different times (got {count})"
        )
        raise SwatheError(message)
    sizes = np.ones(count) if standard is None else np.maximum(standard, 1e-9)
    slope, u_slope, excess, weights = _polynomial(years, values, sizes, 1)
    dof = math.inf
    if standard is None or excess > 1:
        u_slope, dof = u_slope * excess, float(count - 2)
    elif shared is not None and shared_dof is not None:
        parts = float(np.sum((weights * shared) ** 4 / shared_dof))
        dof = u_slope**4 / parts if parts else math.inf
    bend = None
    if count >= _LEAST_FOR_BEND:
        half, u_half, ratio, _ = _polynomial(years, values, sizes, 2)
        free = float(count - 3)
        if standard is None or ratio > 1:
            u_half *= ratio
        else:
            free = math.inf
        coverage = 1 - (1 - _COVERAGE) / max(bends, 1)
        bend = estimate(2 * half, 2 * u_half, free, coverage=coverage)
    return TrendFit(
        estimate(slope, u_slope, dof, coverage=_COVERAGE),
        None if standard is None else excess,
        bend,
    )


def _polynomial(
    years: Floats, values: Floats, standard: Floats, degree: int
) -> tuple[float, float, float, Floats]:
    """Return the highest term of a polynomial, its uncertainty, the ratio of scatter, and its weights."""
    middle = float(years.mean())
    design = np.vander(years - middle, degree + 1) / standard[:, None]
    inverse = np.linalg.inv(design.T @ design)
    terms = inverse @ design.T @ (values / standard)
    left = values / standard - design @ terms
    free = years.size - degree - 1
    ratio = math.sqrt(float(left @ left) / free) if free else 0.0
    weights = (inverse @ design.T)[0] / standard
    return float(terms[0]), math.sqrt(float(inverse[0, 0])), ratio, weights


def one_part(parts: Sequence[tuple[str, str]]) -> None:
    """Refuse surveys of several parts or areas.

    Raises:
        SwatheError: there are several; the text lists them.
    """
    kinds = sorted(set(parts))
    if len(kinds) > 1:
        listed = ", ".join(repr(part) + (f" (area {area})" if area else "") for part, area in kinds)
        message = (
            f"the surveys are of several parts or areas: {listed}; choose one with --part or --area"
        )
        raise SwatheError(message)
