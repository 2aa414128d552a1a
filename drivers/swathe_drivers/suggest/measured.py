"""Which numbers are the measured value, in which unit, and what the display says to that."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import log, log10
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.hints import Hints, Shown
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series, restlessness

__all__ = ["LENGTHS", "Match", "amplitude_of", "is_power_of_ten", "match_shown", "thickness_of"]

LENGTHS: Final[Mapping[str, float]] = {"mm": 1.0, "um": 1e-3, "in": 25.4, "thou": 0.0254}
"""Millimetres of each unit."""
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
_STEEL: Final = (2.2, 3.6)
"""mm of thickness for a µs of time of flight in metals: half the velocity of longitudinal waves,
4.4 to 7.2 mm/µs (common practice, no source)."""
_PLAUSIBLE: Final = (0.3, 600.0)
"""Thicknesses in mm that a gauge shows (common practice, no source)."""
_NOW: Final = 1.5  # s around the moment at which a display was read
_DECADES: Final = 7.0


@dataclass(frozen=True, slots=True)
class Match:
    """How numbers as sent become what the display shows.

    Attributes:
        unit: of the result.
        scale, offset: result = scale * sent + offset, in `unit`.
        chance: common logarithm of how many columns of arbitrary numbers would match as well.
        why: in words.
    """

    unit: str
    scale: float
    offset: float
    chance: float
    why: str


def _scales() -> Iterator[tuple[float, float]]:
    """Scales that devices use, each with the share of devices we expect to (no source)."""
    for power in range(7):
        yield 10.0**-power, 1.0 if power < 5 else 0.1
    for power in range(1, 7):
        for factor in (2.0, 5.0, 2.5, 1.25, 4.0):
            yield factor * 10.0**-power, 0.1
    for power in range(1, 17):
        yield 2.0**-power, 0.1


_SCALES: Final = tuple(_scales())


def is_power_of_ten(scale: float) -> bool:
    """Return whether a scale only moves the decimal point."""
    power = float(np.log10(abs(scale)))
    return abs(power - round(power)) < 1e-9


def match_shown(series: Series, shown: tuple[Shown, ...], unit: str | None = None) -> Match | None:
    """Return what turns the numbers into those of the display; None if nothing usual does.

    Args:
        series: the numbers.
        shown: of one quantity; several, at different moments, may show an offset as well.
        unit: of the numbers as sent, where that is known.
    """
    shown = tuple(one for one in shown if one.value)  # 0 is 0 in every unit
    windows = [_around(series, one) for one in shown]
    if not windows or any(window.size == 0 for window in windows):
        return None
    best: tuple[float, Match] | None = None
    best_prior = 1.0
    for target, factor in _units(shown[0].unit, unit):
        for scale, prior in _SCALES if unit is None else ((1.0, 1.0),):
            if target != shown[0].unit and prior < 1.0:
                continue
            miss = 0.0
            for one, window in zip(shown, windows, strict=True):
                error = np.abs(window * scale - one.value * factor)
                digit = one.half_digit * factor
                # Of what is no power of ten, display and port may round the same value to either side.
                own = 0.0 if prior == 1.0 else 0.5 * scale * 10.0**-series.places
                room = 1.02 * (digit + min(own, digit))
                nearest = int(error.argmin())
                if error[nearest] > room and error[nearest] > 1e-9 * one.value:
                    break
                miss += float(nearest) / window.size
            else:
                weight = prior * (1.0 if target == (shown[0].unit or target) else 0.1) / (1 + miss)
                if best is None or weight > best[0]:
                    best = (weight, Match(target, scale, 0.0, 0.0, ""))
                    best_prior = prior
    if best is not None:
        found = best[1]
        # What fewer devices do is more often a coincidence.
        chance = sum(_chance(one, w) for one, w in zip(shown, windows, strict=True))
        chance = min(0.0, chance - log10(best_prior))
        text = " and ".join(_shown_text(one) for one in shown)
        why = f"sent times {found.scale:g} is the {text} of the display"
        return Match(found.unit, found.scale, 0.0, chance, why)
    if len(shown) >= 2:
        return _line_through(shown, windows)
    return None


def _shown_text(shown: Shown) -> str:
    return f"{shown.value:.{shown.places}f} {shown.unit}".strip()


def _units(shown: str, sent: str | None) -> list[tuple[str, float]]:
    """Units that the numbers may be in, and by what a number of the display is multiplied for each."""
    if shown not in LENGTHS:
        return [(shown or sent or "mm", 1.0)]
    targets = [sent] if sent is not None else [shown, *(unit for unit in LENGTHS if unit != shown)]
    return [
        (target, LENGTHS[shown] / LENGTHS[target]) if target in LENGTHS else (target, 1.0)
        for target in targets
    ]


def _around(series: Series, shown: Shown) -> NDArray[np.float64]:
    """The numbers sent about when the display was read, the nearest in time first, each once."""
    at = float(series.times[-1]) if shown.at is None else shown.at
    near = ~series.missing & (np.abs(series.times - at) <= _NOW)
    if np.count_nonzero(near) < 3:
        order = np.argsort(np.abs(series.times - at), kind="stable")
        near = np.zeros(series.values.size, np.bool_)
        near[[one for one in order.tolist() if not series.missing[one]][:5]] = True
    values = series.values[near]
    values = values[np.argsort(np.abs(series.times[near] - at), kind="stable")]
    _, first = np.unique(values, return_index=True)
    return values[np.sort(first)]


def _chance(shown: Shown, window: NDArray[np.float64]) -> float:
    """As `Match.chance`: numbers spread evenly over the decades, each scale a try."""
    width = 2 * shown.half_digit / max(abs(shown.value), shown.half_digit)
    return min(0.0, log10(window.size * len(_SCALES) * width / (log(10) * _DECADES)))


def _line_through(shown: tuple[Shown, ...], windows: list[NDArray[np.float64]]) -> Match | None:
    """A scale and an offset from two displayed values or more."""
    x = np.array([float(window[0]) for window in windows])
    y = np.array([one.value for one in shown])
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    scale, offset = np.polyfit(x, y, 1)
    room = max(one.half_digit for one in shown)
    if np.abs(scale * x + offset - y).max() > 2.5 * room:
        return None
    for digits in range(1, 8):  # as round as the displayed digits allow
        rounded = float(f"{scale:.{digits - 1}e}")
        rest = float(np.median(y - rounded * x))
        tidy = float(f"{rest:.{max(0, shown[0].places - 1)}f}")
        if np.abs(rounded * x + tidy - y).max() <= 1.2 * room:
            scale, offset = rounded, tidy
            break
    chance = -1.0 * max(0, len(shown) - 2)
    why = f"{scale:g} times what is sent plus {offset:g} passes through {len(shown)} numbers of the display"
    return Match(shown[0].unit or "mm", float(scale), float(offset), chance, why)


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
    if shown:
        match = match_shown(series, shown, sent)
        if match is not None:
            keys = _keys(match.unit, match.scale, match.offset)
            score += 4 - 4 * match.chance
            if len(shown) > 1 or is_power_of_ten(match.scale):
                return Role("thickness", score, Basis.LIKELY, match.why, keys, shown=match.scale)
            # One number of a display is met by some of the unusual factors in many a column.
            why = f"{match.why}, a factor that few devices have: a second number of the display shows it"
            return Role("thickness", score, Basis.LIKELY, why, keys, shown=match.scale)
        flight = _flight_of(series, shown)
        if flight is not None:
            return Role("time_of_flight", score, Basis.GUESS, flight[1], {"unit": flight[0]})
        score -= 6.0
    if sent is not None:
        why = f"its unit is next to it: {series.label}"
        return Role("thickness", score + 6, Basis.SHOWN, why, {"unit": sent})
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


def _flight_of(series: Series, shown: tuple[Shown, ...]) -> tuple[str, str] | None:
    """The unit of a time of flight whose wall is what the display shows."""
    one = shown[-1]
    window = _around(series, one)
    if not window.size or one.unit not in LENGTHS or window[0] <= 0:
        return None
    for unit, factor in (("us", 1.0), ("ns", 1e-3)):
        ratio = one.value * LENGTHS[one.unit] / (float(window[0]) * factor)
        if _STEEL[0] < ratio < _STEEL[1]:
            why = f"the display's {_shown_text(one)} are {ratio:.2f} mm for a {unit[0]}s of it, as in metals"
            return unit, why
    return None


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
    if places >= 3 and middle < 200 and series.label == "":
        why = f"{around}: a time of flight in µs, or a thickness in mm"
        return Role("time_of_flight", score, Basis.GUESS, why, {"unit": "us"})
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


def amplitude_of(series: Series, hints: Hints) -> Role | None:
    """The numbers as an echo's amplitude; None if they cannot be one."""
    good = series.good
    if good.size < 4 or not series.may_be("amplitude"):
        return None
    label = series.label.strip().upper()
    shown = hints.of("amplitude")
    if label == "DB":
        return Role("amplitude", 5.0, Basis.LIKELY, "its unit is next to it: dB", {"unit": "dB"})
    if label not in ("", "%"):
        return None
    if shown and (match := match_shown(series, shown)) is not None:
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
