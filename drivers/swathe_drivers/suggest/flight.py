"""Numbers that are times of flight: by their name, their unit, or what the display makes of them."""

from dataclasses import dataclass
from math import floor, log10
from typing import Any, Final

import numpy as np

from swathe_drivers.suggest.display import LENGTHS, around, close_to, shown_text
from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.hints import Shown
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series

__all__ = ["named_flight", "shown_flight"]

_STEEL: Final = (2.2, 3.6)
"""mm of thickness for a µs of time of flight in metals: half the velocity of longitudinal waves,
4.4 to 7.2 mm/µs (common practice, no source)."""
_FLIGHT_NAMES: Final = ("TOF", "TF", "FLIGHT", "TIME", "TIM", "LZ", "LAUFZEIT", "US", "NS", "DELAY")
_VELOCITIES: Final = (
    5920,
    5900,
    5930,
    5950,
    5850,
    5790,
    5740,
    6320,
    6300,
    6260,
    6100,
    5660,
    4700,
    4660,
    4430,
)
"""Velocities of longitudinal waves in metals, m/s, to which devices are set, steel first (common practice)."""
_TICKS_NS: Final = (1.0, 10.0, 100.0, 0.1, 5.0, 2.0, 20.0, 50.0, 0.5, 25.0, 12.5, 2.5, 4.0, 8.0)
"""Counts of a time of flight, the usual ones first (common practice, no source)."""
_LONGEST_DELAY: Final = 3.0  # us
_WIDEST: Final = 1.15
"""Of the velocities that the display allows, the highest over the lowest: else it shows none."""
_MOST_OF_TIME: Final = 0.6
"""Share of a time that its delay is at most."""
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


@dataclass(frozen=True, slots=True)
class _Flight:
    """A time of flight as the display's numbers allow it.

    Attributes:
        tick: us of one sent unit.
        velocity: m/s.
        delay: us that are taken off.
        standard: the velocity is one to which devices are set.
    """

    tick: float
    velocity: float
    delay: float
    standard: bool


def shown_flight(series: Series, score: float, shown: tuple[Shown, ...]) -> Role | None:
    """Numbers of which what the display shows is the wall, at the velocity of a metal; None if they are none.

    Without a delay where that explains the display; else with the roundest one at a usual velocity.
    """
    wanted = [one for one in shown if one.unit in LENGTHS and one.value > 0]
    if not wanted:
        return None
    ends = []
    for one in wanted:
        near = close_to(series, one)
        if not near.size or near.min() <= 0:
            return None
        length = one.value * LENGTHS[one.unit]
        room = 1.05 * one.half_digit * LENGTHS[one.unit]
        half = 0.5 if series.whole else 0.5 * 10.0**-series.places
        least, most = float(near.min()) - half, float(near.max()) + half
        ends.append((least, most, length - room, length + room))
    found = _without_delay(ends, series) or _with_delay(ends, series)
    if found is None:
        return None
    keys, per_unit = _unit_of(found.tick)
    numbers = " and ".join(shown_text(one) for one in wanted)
    why = f"the display's {numbers} are a wall of {found.velocity:.0f} m/s"
    if found.delay:
        delay = found.delay / per_unit
        keys["offset"] = -_tidy(delay)
        why += (
            f" if a delay of {_tidy(delay):g} {keys['unit']} is taken off, the roundest number that fits: compare both"
            " with the manual, or leave the delay to the calibration"
        )
    else:
        why += ", without a delay. The velocity belongs to the calibration"
    sure = found.standard and not found.delay and len(wanted) > 1
    basis = Basis.LIKELY if sure else Basis.GUESS
    return Role("time_of_flight", score + 3.0 * sure, basis, why, keys, shown=1.0)


def _ticks(series: Series) -> tuple[float, ...]:
    """Us of one sent unit, as it may be."""
    if not series.whole:
        return (1.0, 1e-3)
    return (*(tick * 1e-3 for tick in _TICKS_NS), 1.0)


_Ends = list[tuple[float, float, float, float]]


def _without_delay(ends: _Ends, series: Series) -> _Flight | None:
    for tick in _ticks(series):
        low = max(2000 * length / (most * tick) for _, most, length, _ in ends)
        high = min(2000 * length / (least * tick) for least, _, _, length in ends)
        if (
            not low <= high <= _WIDEST * low
            or not 2000 * _STEEL[0] < 0.5 * (low + high) < 2000 * _STEEL[1]
        ):
            continue
        usual = next((v for v in _VELOCITIES if low <= v <= high), None)
        if usual is not None:
            return _Flight(tick, float(usual), 0.0, True)
        if len(ends) == 1:
            return _Flight(tick, 0.5 * (low + high), 0.0, False)
    return None


def _with_delay(ends: _Ends, series: Series) -> _Flight | None:
    if len(ends) < 2:
        return None
    for tick in _ticks(series):
        for velocity in _VELOCITIES:
            low = max(least * tick - 2000 * length / velocity for least, _, _, length in ends)
            high = min(most * tick - 2000 * length / velocity for _, most, length, _ in ends)
            times = min(least * tick for least, _, _, _ in ends)
            if low > high or high <= 0 or low > min(_LONGEST_DELAY, _MOST_OF_TIME * times):
                continue
            delay = _roundest(max(low, 0.0) / tick, high / tick) * tick
            if delay > 0:
                return _Flight(tick, float(velocity), delay, True)
    return None


def _roundest(low: float, high: float) -> float:
    """The number between two that takes the fewest digits; hexadecimal ones count as well."""
    power = floor(log10(high)) if high > 0 else 0
    for place in range(power + 1, power - 9, -1):
        for step in (10.0**place, 5.0 * 10.0 ** (place - 1), 2.0 * 10.0 ** (place - 1)):
            first = floor(0.5 * (low + high) / step + 0.5) * step
            if low <= first <= high:
                return first
    return 0.5 * (low + high)


def _unit_of(tick: float) -> tuple[dict[str, Any], float]:
    """Unit and scale of a tick, and us of the unit."""
    if tick == 1.0:
        return {"unit": "us"}, 1.0
    in_ns = _tidy(tick * 1e3)
    return {"unit": "ns"} | ({"scale": in_ns} if in_ns != 1.0 else {}), 1e-3


def _tidy(number: float) -> float:
    return float(f"{number:.9g}")


def _ratio(series: Series, one: Shown, unit: str) -> float | None:
    """Millimetres that the display shows for a us of what is sent; None if they are no metal's."""
    window = around(series, one)
    if not window.size or one.unit not in LENGTHS or window[0] <= 0:
        return None
    factor = 1.0 if unit == "us" else 1e-3
    ratio = one.value * LENGTHS[one.unit] / (float(window[0]) * factor)
    return ratio if _STEEL[0] < ratio < _STEEL[1] else None
