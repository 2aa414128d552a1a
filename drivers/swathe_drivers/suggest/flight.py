"""Numbers that are times of flight: by their name, their unit, or what the display makes of them."""

from typing import Any, Final

import numpy as np

from swathe_drivers.suggest.display import LENGTHS, Match, around, shown_text
from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.hints import Shown
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series

__all__ = ["fitted_flight", "named_flight", "unnamed_flight"]

_STEEL: Final = (2.2, 3.6)
"""mm of thickness for a µs of time of flight in metals: half the velocity of longitudinal waves,
4.4 to 7.2 mm/µs (common practice, no source)."""
_FLIGHT_NAMES: Final = ("TOF", "TF", "FLIGHT", "TIME", "TIM", "LZ", "LAUFZEIT", "US", "NS", "DELAY")
_USUAL: Final = (2.7, 3.3)
"""As `_STEEL`, of steel and aluminium only (common practice, no source): one of the ticks at most fits."""
_TICKS_NS: Final = (0.1, 0.2, 0.5, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_FROM_NS: Final = 400.0
"""Larger numbers are ns rather than us: 1.2 m of steel (common practice, no source)."""


def named_flight(series: Series, score: float, shown: tuple[Shown, ...]) -> Role | None:
    """A column whose name says that it is a time; None if it has no such name."""
    name = series.name.strip(" =:\"'").upper()
    if name not in _FLIGHT_NAMES or series.label.strip():
        return None
    middle = float(np.median(series.good))
    unit = "ns" if middle > _FROM_NS else "us"
    why = f"named {name!r}, and around {middle:g}: in {unit} that is a wall in metal"
    speaks = None
    if shown:
        ratio = _ratio(series, shown[-1], unit)
        if ratio is None:
            return None
        speaks = 1.0
        why += f"; the display's {shown_text(shown[-1])} are {ratio:.2f} mm for a us of it"
    why += ". Velocity and probe delay belong to the calibration"
    keys: dict[str, Any] = {"unit": unit}
    return Role("time_of_flight", score + 5.0, Basis.LIKELY, why, keys, shown=speaks)


def unnamed_flight(series: Series, score: float, shown: tuple[Shown, ...]) -> Role | None:
    """Numbers of which what the display shows is the wall, at the velocity of a metal."""
    for unit in ("us", "ns"):
        ratio = _ratio(series, shown[-1], unit)
        if ratio is not None:
            why = f"the display's {shown_text(shown[-1])} are {ratio:.2f} mm for a us of it, as in metals"
            return Role("time_of_flight", score, Basis.GUESS, why, {"unit": unit})
    return None


def fitted_flight(series: Series, score: float, match: Match) -> Role | None:
    """Numbers that go with the display as a time with a probe delay does; None if they do not."""
    if match.unit not in LENGTHS or match.offset > 0:
        return None
    for unit, factor in (("us", 1.0), ("ns", 1e-3)):
        slope = match.scale * LENGTHS[match.unit] / factor
        if _STEEL[0] < slope < _STEEL[1]:
            delay = -match.offset / match.scale
            why = (
                f"two numbers of the display differ by {slope:.2f} mm for a us of it, as in metals:"
                f" a velocity of about {2000 * slope:.0f} m/s, and a probe delay of about {delay:.4g} {unit}."
                " Both belong to the calibration"
            )
            return Role("time_of_flight", score + 4.0, Basis.LIKELY, why, {"unit": unit}, shown=1.0)
    for tick in _TICKS_NS:
        slope = match.scale * LENGTHS[match.unit] / (tick * 1e-3)
        if _USUAL[0] < slope < _USUAL[1]:
            why = (
                f"two numbers of the display differ by {slope:.2f} mm for a us if one count is {tick:g} ns, as in"
                " steel or aluminium. Velocity and probe delay belong to the calibration"
            )
            keys: dict[str, Any] = {"unit": "ns", "scale": tick}
            return Role("time_of_flight", score + 2.0, Basis.GUESS, why, keys, shown=1.0)
    del series
    return None


def _ratio(series: Series, one: Shown, unit: str) -> float | None:
    """Millimetres that the display shows for a us of what is sent; None if they are no metal's."""
    window = around(series, one)
    if not window.size or one.unit not in LENGTHS or window[0] <= 0:
        return None
    factor = 1.0 if unit == "us" else 1e-3
    ratio = one.value * LENGTHS[one.unit] / (float(window[0]) * factor)
    return ratio if _STEEL[0] < ratio < _STEEL[1] else None
