"""What turns numbers as sent into those that the device's display shows."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import log, log10
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.hints import Shown
from swathe_drivers.suggest.series import Series

__all__ = ["LENGTHS", "Match", "around", "close_to", "is_power_of_ten", "match_shown", "shown_text"]

LENGTHS: Final[Mapping[str, float]] = {"mm": 1.0, "um": 1e-3, "in": 25.4, "thou": 0.0254}
"""Millimetres of each unit."""
_NOW: Final = 1.5  # s around the moment at which a display was read
_CLOSE: Final = 0.4  # s; for what is rare, as in a longer time many a wrong number would do
_FEWEST_DIGITS: Final = 20.0
_DECADES: Final = 7.0


@dataclass(frozen=True, slots=True)
class Match:
    """How numbers as sent become what the display shows.

    Attributes:
        unit: of the result.
        scale, offset: result = scale * sent + offset, in `unit`.
        chance: common logarithm of how many columns of arbitrary numbers would match as well.
        why: in words.
        fitted: a line through two numbers of the display, as there is through any two.
    """

    unit: str
    scale: float
    offset: float
    chance: float
    why: str
    fitted: bool = False


def _scales() -> Iterator[tuple[float, float]]:
    """Scales that devices use, each with the share of devices we expect to (no source)."""
    for power in range(7):
        yield 10.0**-power, 1.0 if power < 5 else 0.1
    yield from ((10.0, 0.3), (1000.0, 0.3), (100.0, 0.05))  # cm, m and dm as mm
    for power in range(1, 7):
        for factor in (2.0, 5.0, 2.5, 1.25, 4.0):
            yield factor * 10.0**-power, 0.1
    for power in range(1, 17):
        yield 2.0**-power, 0.1


_SCALES: Final = tuple(_scales())
_LARGEST: Final = 1e30


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
    # Bytes that are no float may be taken for one, of any size: it is scaled to any size here.
    windows = [np.clip(around(series, one), -_LARGEST, _LARGEST) for one in shown]
    if not windows or any(window.size == 0 for window in windows):
        return None
    closer = [np.clip(close_to(series, one), -_LARGEST, _LARGEST) for one in shown]
    best: tuple[float, Match] | None = None
    best_prior = 1.0
    for target, factor in _units(shown[0].unit, unit):
        for scale, prior in _SCALES if unit is None else ((1.0, 1.0),):
            if target != shown[0].unit and prior < 1.0:
                continue
            miss = 0.0
            for one, wide, near in zip(shown, windows, closer, strict=True):
                window = wide if prior == 1.0 else near
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
        text = " and ".join(shown_text(one) for one in shown)
        why = f"sent times {found.scale:g} is the {text} of the display"
        return Match(found.unit, found.scale, 0.0, chance, why)
    if len(shown) >= 2:
        return _line_through(shown, windows, 0.5 * 10.0**-series.places)
    return None


def shown_text(shown: Shown) -> str:
    """The number as the display has it, with its unit."""
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


def around(series: Series, shown: Shown) -> NDArray[np.float64]:
    """The numbers sent about when the display was read, the nearest in time first, each once."""
    return _within(series, shown, _NOW)


def close_to(series: Series, shown: Shown) -> NDArray[np.float64]:
    """As `around`, of a shorter time."""
    return _within(series, shown, _CLOSE)


def _within(series: Series, shown: Shown, most: float) -> NDArray[np.float64]:
    at = float(series.times[-1]) if shown.at is None else shown.at
    near = ~series.missing & (np.abs(series.times - at) <= most)
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


def _line_through(
    shown: tuple[Shown, ...], windows: list[NDArray[np.float64]], half_sent: float
) -> Match | None:
    """A scale and an offset from two displayed values or more; what is sent is rounded, too."""
    x = np.array([float(window[0]) for window in windows])
    y = np.array([one.value for one in shown])
    if np.ptp(x) == 0 or np.ptp(y) < _FEWEST_DIGITS * max(one.half_digit for one in shown):
        return None  # numbers that hardly differ show no slope
    scale, offset = np.polyfit(x, y, 1)
    room = max(one.half_digit for one in shown) + abs(float(scale)) * half_sent
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
    if len(shown) == 2:
        why += ", as a line does through any two: a third one would show whether it is this one"
    return Match(
        shown[0].unit or "mm", float(scale), float(offset), chance, why, fitted=len(shown) == 2
    )
