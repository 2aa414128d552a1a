"""The scale of thickness: what the colours and the thickness axes of every picture mean.

It follows from the station file alone, never from what was measured: a colour means the same from
the first reading to the last, on the page, in the pictures, and in the next survey of that part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pydantic import Field

from swathe.display_units import DisplayUnits
from swathe.errors import Problem
from swathe.station.table import StationTable
from swathe.units import Length, Percent

if TYPE_CHECKING:
    from swathe.station.model import Station, SurveySettings

__all__ = [
    "PictureSettings",
    "ThicknessScale",
    "check_picture",
    "scale_by_levels",
    "scale_ticks",
    "thickness_scale",
]

# Of a plan that states neither a nominal thickness nor an alert level. (Our choice, no source.)
_UNKNOWN_WALL_MM = 25.4
# Shares of the nominal thickness, and of its distance from the alert level. (Our choice, no source.)
_THIN, _THICK = 0.5, 1.1
_BELOW, _ABOVE = 0.5, 0.25
_NARROWEST_BELOW, _NARROWEST_ABOVE = 0.25, 0.05
_BELOW_ALERT, _ABOVE_ALERT = 0.5, 2.0
# A scale has so many ticks or more between its ends.
_FEWEST_STEPS = 4
# A tick closer to an end than this share of a step would run into that end's figure.
_CLOSE = 0.45


class PictureSettings(StationTable):
    """Ends of the scale of thickness, where those that follow from the plan do not suit."""

    thickness: tuple[Length, Length] | None = Field(
        None, description="ends of the scale, thinnest and thickest, mm"
    )
    thickness_percent: tuple[Percent, Percent] | None = Field(
        None, description="instead: ends of the scale in % of survey.nominal_thickness"
    )


@dataclass(frozen=True, slots=True)
class ThicknessScale:
    """Ends and marks of the colours and axes of thickness, mm.

    Attributes:
        low: thickness of the first colour; thinner ones have a colour and a pattern of their own.
        high: thickness of the last colour; likewise.
        nominal: nominal thickness; None where the plan states none.
        alert_below: alert level; None where the plan states none.
    """

    low: float
    high: float
    nominal: float | None = None
    alert_below: float | None = None


def thickness_scale(station: Station) -> ThicknessScale:
    """Return the scale of thickness of a station."""
    survey, picture = station.survey, station.picture
    nominal, alert = survey.nominal_thickness, survey.alert_below
    if picture.thickness is not None:
        return ThicknessScale(*picture.thickness, nominal, alert)
    if picture.thickness_percent is not None and nominal is not None:
        low, high = (nominal * share / 100 for share in picture.thickness_percent)
        return ThicknessScale(low, high, nominal, alert)
    return scale_by_levels(nominal, alert, station.display)


def scale_by_levels(
    nominal: float | None, alert_below: float | None, units: DisplayUnits
) -> ThicknessScale:
    """Return the scale that follows from nominal thickness and alert level, mm, or from neither."""
    low, high = _ends(nominal, alert_below)
    step = _step(high - low, units.mm_per_unit)
    low = max(0.0, math.floor(low / step + 1e-9) * step)
    return ThicknessScale(low, math.ceil(high / step - 1e-9) * step, nominal, alert_below)


def scale_ticks(scale: ThicknessScale, units: DisplayUnits) -> list[float]:
    """Return the ticks of a scale, mm: its ends, and round numbers of the unit between them."""
    step = _step(scale.high - scale.low, units.mm_per_unit)
    inner = range(math.ceil(scale.low / step), math.floor(scale.high / step) + 1)
    room = _CLOSE * step
    between = [k * step for k in inner if scale.low + room < k * step < scale.high - room]
    return [scale.low, *between, scale.high]


def check_picture(
    picture: PictureSettings | None, survey: SurveySettings | None, units: DisplayUnits
) -> list[Problem]:
    """Return what is wrong with the ends of the scale of thickness."""
    if picture is None:
        return []
    problems: list[Problem] = []
    if picture.thickness is not None:
        key, (low, high) = "picture.thickness", picture.thickness
        if not 0 <= low < high:
            got = f"{units.stated_thickness_text(low)} to {units.stated_thickness_text(high)}"
            remedy = "thinnest first, then thickest"
            problems.append(Problem(key, "must rise from 0 or more", got, remedy))
    if picture.thickness_percent is not None:
        key, (low, high) = "picture.thickness_percent", picture.thickness_percent
        if not 0 <= low < high:
            got, remedy = f"{low:g} % to {high:g} %", "thinnest first, then thickest"
            problems.append(Problem(key, "must rise from 0 or more", got, remedy))
        if picture.thickness is not None:
            remedy = "give lengths or per cent of the nominal thickness, not both"
            problems.append(
                Problem(key, "must not be given with picture.thickness", "both", remedy)
            )
        if survey is not None and survey.nominal_thickness is None:
            remedy = "give survey.nominal_thickness, or lengths in picture.thickness"
            problems.append(Problem(key, "needs survey.nominal_thickness", None, remedy))
    return problems


def _ends(nominal: float | None, alert: float | None) -> tuple[float, float]:
    """Return the ends of a scale before they are rounded, mm."""
    if nominal is not None and alert is not None:
        low, high = min(nominal, alert), max(nominal, alert)
        below = max(_BELOW * (high - low), _NARROWEST_BELOW * nominal)
        return low - below, high + max(_ABOVE * (high - low), _NARROWEST_ABOVE * nominal)
    if nominal is not None:
        return _THIN * nominal, _THICK * nominal
    if alert is not None:
        return _BELOW_ALERT * alert, _ABOVE_ALERT * alert
    return 0.0, _UNKNOWN_WALL_MM


def _step(span: float, mm_per_unit: float) -> float:
    """Return the widest step of 1, 2 or 5 × 10ⁿ units of which four or more are in a span, mm."""
    widest = span / mm_per_unit / _FEWEST_STEPS * (1 + 1e-9)
    power = 10.0 ** math.floor(math.log10(widest))
    return max(k * power for k in (1, 2, 5) if k * power <= widest) * mm_per_unit
