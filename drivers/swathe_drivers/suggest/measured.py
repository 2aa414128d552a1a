"""Which numbers are the measured value, in which unit, and what the display says to that."""

from collections.abc import Mapping
from math import log10
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.display import (
    LENGTHS,
    is_power_of_ten,
    match_shown,
    shown_text,
)
from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.flight import named_flight, shown_flight
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series, restlessness

__all__ = ["amplitude_of", "is_plausible", "thickness_of"]

_LABELS: Final[Mapping[str, str]] = {
    "MM": "mm",
    "IN": "in",
    "INCH": "in",
    "THOU": "thou",
    '"': "in",
    "UM": "um",
    "\xb5M": "um",
    "MIL": "thou",
    "MILS": "thou",
    "INCHES": "in",
}
_TIMES: Final[Mapping[str, str]] = {
    "US": "us",
    "USEC": "us",
    "\xb5S": "us",
    "NS": "ns",
    "NSEC": "ns",
}
_VALUE_NAMES: Final = (
    "TH",
    "THK",
    "THICK",
    "THICKNESS",
    "WT",
    "WALL",
    "W",
    "T",
    "D",
    "RD",
    "M",
    "G",
    "V",
)
_PLACE_NAMES: Final = ("X", "Y", "POS", "ENC", "P", "S", "E", "CNT", "N", "C", "L", "Z", "A")
_PLAUSIBLE: Final = (0.3, 600.0)
"""Thicknesses in mm that a gauge shows (common practice, no source)."""


def thickness_of(series: Series, hints: Hints) -> Role | None:
    """The numbers as a thickness or a time of flight; None if they cannot be one."""
    good = series.good
    if good.size < 4 or not (series.may_be("thickness") or series.may_be("time_of_flight")):
        return None
    if float(np.quantile(good, 0.05)) < 0 or not good.any():
        return None
    label = series.label.strip().upper()
    if label and label not in _LABELS and label not in _TIMES:
        return None
    different = np.unique(good).size
    score = _likely(series, good, different)
    flights = hints.of("time_of_flight")
    shown = hints.of("thickness")
    if label in _TIMES or flights:
        unit = _TIMES.get(label)
        match = match_shown(series, flights, unit) if flights else None
        if match is not None:
            keys = _keys(match.unit or "us", match.scale, match.offset)
            score += 4 - 4 * match.chance
            return Role("time_of_flight", score, Basis.LIKELY, match.why, keys, shown=match.scale)
        if unit is not None:
            return Role(
                "time_of_flight",
                score + 6,
                Basis.SHOWN,
                f"its unit is next to it: {series.label}",
                {"unit": unit},
            )
    sent = _LABELS.get(label)
    shown = tuple(one for one in shown if one.value)
    named = named_flight(series, score, shown)
    if named is not None:
        return named
    doubt = ""
    if shown:
        match = match_shown(series, shown, sent)
        ten = match is not None and not match.fitted and is_power_of_ten(match.scale)
        flight = None if sent or ten else shown_flight(series, score, shown)
        if flight is not None and (match is None or match.fitted or flight.basis is Basis.LIKELY):
            return flight
        if match is not None:
            keys = _keys(match.unit, match.scale, match.offset)
            if match.fitted:
                return Role("thickness", score + 2.0, Basis.GUESS, match.why, keys)
            score += 4 - 4 * match.chance
            if len(shown) > 1 or ten:
                return Role("thickness", score, Basis.LIKELY, match.why, keys, shown=match.scale)
            # One number of a display is met by some of the unusual factors in many a column.
            why = f"{match.why}, a factor that few devices have: a second number of the display shows it"
            return Role("thickness", score, Basis.GUESS, why, keys, shown=match.scale)
        score -= 6.0
        doubt = f"; but the display's {shown_text(shown[-1])} is not among its numbers then"
    if sent is not None:
        why = f"its unit is next to it: {series.label}{doubt}"
        basis = Basis.GUESS if doubt else Basis.SHOWN
        return Role("thickness", score + 6, basis, why, {"unit": sent})
    if different < 2:
        return None
    return _by_custom(series, good, score, hints)


def _keys(unit: str, scale: float, offset: float) -> dict[str, Any]:
    keys: dict[str, Any] = {"unit": unit}
    if scale != 1.0:
        # The micrometre is a unit of its own.
        keys |= (
            {"unit": "um"} if unit == "mm" and scale == 1e-3 and not offset else {"scale": scale}
        )
    return keys | ({"offset": offset} if offset else {})


def _likely(series: Series, good: NDArray[np.float64], different: int) -> float:
    """How much like a measured value it is, compared with the others of its record."""
    score = float(min(series.places, 3))
    score += 2.0 if series.sentinels or series.texts else 0.0
    whole = series.places == 0
    score += 2.0 if whole and 200 < float(np.median(good)) < 200_000 else 0.0
    score -= 4.0 if whole and different <= 4 else 0.0
    score -= 3.0 if different < 3 else 0.0
    # Temperature or battery drift: in most records they are what they were in the one before.
    score -= 2.0 if float(np.mean(np.diff(good) == 0)) > 0.85 else 0.0
    score -= min(4.0, 12 * restlessness(good))
    name = series.name.strip(" =:").upper()
    if name:
        score += 3.0 if name in _VALUE_NAMES else -3.0 if name in _PLACE_NAMES else 0.0
    return score


def _by_custom(series: Series, good: NDArray[np.float64], score: float, hints: Hints) -> Role:
    """Its unit by its size and its decimals, which is a guess."""
    middle, places = float(np.median(good)), series.places
    around = f"around {middle:g}, {places} decimals, and no unit next to it"
    if hints.unit is not None and hints.unit in LENGTHS:
        scale = _plausible_scale(middle * LENGTHS[hints.unit], places)
        return Role(
            "thickness",
            score,
            Basis.GUESS,
            f"{around}: the unit that was stated",
            _keys(hints.unit, scale, 0.0),
        )
    if places == 0:
        scale = _plausible_scale(middle, 0)
        why = f"{around}: in mm with {round(-log10(scale))} implied decimals it is a thickness of {middle * scale:g}"
        return Role("thickness", score, Basis.GUESS, why, _keys("mm", scale, 0.0))
    if middle < 1.3 and places >= 3:
        return Role(
            "thickness",
            score,
            Basis.GUESS,
            f"{around}: inches, or a time of flight in µs",
            {"unit": "in"},
        )
    why = f"{around}: a thickness in mm, or a time of flight in µs"
    return Role("thickness", score, Basis.GUESS, why, {"unit": "mm"})


def _plausible_scale(middle: float, places: int) -> float:
    """The power of ten by which a whole number becomes a usual thickness in mm."""
    if places:
        return 1.0
    for power in (2, 1, 3, 0, 4, 5, 6):
        if 1.5 <= middle * 10.0**-power < 60:
            return 10.0**-power
    return 0.01


_MOST_DB: Final = 20.0
"""An amplitude is lower than ten times full screen height."""


def amplitude_of(series: Series, hints: Hints) -> Role | None:
    """The numbers as an echo's amplitude; None if they cannot be one."""
    good = series.good
    if good.size < 4 or not series.may_be("amplitude"):
        return None
    label = series.label.strip().upper()
    shown = hints.of("amplitude")
    if label == "DB":
        if float(np.median(good)) > _MOST_DB:
            return None  # a gain, or a level that full screen height is not 0 dB of
        return Role("amplitude", 5.0, Basis.LIKELY, "its unit is next to it: dB", {"unit": "dB"})
    if label not in ("", "%"):
        return None
    match = match_shown(series, shown) if shown else None
    if shown and label != "%" and (match is None or match.offset):
        return None  # an amplitude of a description has no offset
    if match is not None and not match.offset:
        keys = {"unit": shown[0].unit or "%"} | ({"scale": match.scale} if match.scale != 1 else {})
        return Role("amplitude", 6 - 4 * match.chance, Basis.LIKELY, match.why, keys)
    low, high = float(good.min()), float(good.max())
    rest = restlessness(good)
    if low < 0 or (rest < 0.004 and label != "%") or (high > 110.5 and label != "%"):
        return None
    fraction = high <= 1.105 and series.places >= 2
    score = min(3.0, 20 * rest) * (1.5 if series.places <= 1 else 1.0) + 6.0 * (label == "%")
    score -= 1.0 if series.sentinels or series.texts else 0.0
    why = f"restless, from {low:g} to {high:g}" + (
        f", its unit is next to it: {series.label}" if label else ""
    )
    basis = Basis.LIKELY if label else Basis.GUESS
    return Role("amplitude", score, basis, why, {"unit": "fraction" if fraction else "%"})


def is_plausible(values: NDArray[np.float64]) -> bool:
    """Whether thicknesses in mm are those of walls, shape (n,)."""
    if not values.size:
        return False
    low, middle, high = (float(one) for one in np.quantile(values, (0.02, 0.5, 0.98)))
    return _PLAUSIBLE[0] <= middle <= _PLAUSIBLE[1] and low > 0 and high < 4 * _PLAUSIBLE[1]
