"""Columns that run or move: device clocks, running numbers, encoders."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.findings import ColumnGuess
from swathe_drivers.suggest.numbers import (
    Numbers,
    decimal_unwrapped,
    persistence,
    rate,
    reversals,
    unwrapped,
)

_PER_SECOND: Final[Mapping[str, float]] = {"ns": 1e9, "us": 1e6, "ms": 1e3, "s": 1.0}
_MOVES: Final = 0.6
"""Persistence from which on a column is taken to move rather than to be noise."""
_MOST_REVERSALS: Final = 0.15
"""A mass turns now and then; noise on a level that drifts turns at every other step."""
_HOST_JITTER: Final = 0.05  # s by which a line may be late at the host


def guess_moving(numbers: Numbers) -> ColumnGuess | None:
    """What a column without gaps is if it runs or moves; None if it does neither.

    A column of counts has no axis yet, one of positions neither.
    """
    if not numbers.present.all() or numbers.values.size < 4:
        return None
    values, times = numbers.values, numbers.times
    steps = np.diff(values)
    if not steps.any():
        return None
    if numbers.whole:
        if found := _quadrature(values):
            return found
        if found := _sequence(values, steps, times):
            return found
    if found := _clock(numbers):
        return found
    return _encoder(numbers)


def _quadrature(values: NDArray[np.float64]) -> ColumnGuess | None:
    if set(values.tolist()) != {0.0, 1.0, 2.0, 3.0}:
        return None
    states = values.astype(np.int64)
    changed = states[1:] ^ states[:-1]
    moves = np.count_nonzero(changed)
    both = np.count_nonzero(changed == 3)
    if moves < 8 or both > 0.02 * moves:
        return None
    why = f"0 to 3, and in {moves} changes never both bits at once: two lines of an encoder"
    return ColumnGuess({"is": "quadrature"}, 0.85, why)


def _sequence(
    values: NDArray[np.float64], steps: NDArray[np.float64], times: NDArray[np.float64]
) -> ColumnGuess | None:
    ones = float(np.mean(steps == 1))
    if ones < 0.9 or float(values.min()) < 0:
        return None
    falls = np.flatnonzero(steps < 0)
    table: dict[str, Any] = {"is": "sequence"}
    why = f"goes up by 1 in {ones * 100:.0f} % of the lines"
    sure = 0.95
    if falls.size:
        top = {int(values[at]) for at in falls}
        bottom = {int(values[at + 1]) for at in falls}
        if bottom == {0} and len(top) == 1:
            table["wrap"] = top.pop() + 1
            why += f" and starts again at 0 behind {table['wrap'] - 1}"
        else:
            sure = 0.7
            why += (
                f"; it fell back from {sorted(top)} to {sorted(bottom)}, which no 'wrap' describes"
            )
    else:
        why += "; it never started again: see in the manual where it does ('wrap')"
    unit, _ = _unit_of(*rate(values, times), span=float(times[-1]))
    if unit is not None:
        sure = 0.6
        why += f"; it may as well be a clock in {unit}, as the lines come one a {unit}"
    return ColumnGuess(table, sure, why)


def _unit_of(slope: float, away: float, *, span: float) -> tuple[str | None, float]:
    """The unit in which a column runs as fast as the host's time, and the rates' ratio."""
    for unit, wanted in _PER_SECOND.items():
        ratio = slope / wanted
        if abs(ratio - 1) < 0.02 + _HOST_JITTER / max(span, 1e-9) and away < 2 * _HOST_JITTER:
            return unit, ratio
    return None, 0.0


def _clock(numbers: Numbers) -> ColumnGuess | None:
    values, bits = numbers.values, None
    if numbers.whole and values.min() >= 0:
        values, bits, _ = unwrapped(values)
    if np.any(np.diff(values) < 0):
        return None
    span = float(numbers.times[-1])
    slope, away = rate(values, numbers.times)
    unit, ratio = _unit_of(slope, away, span=span)
    if unit is None:
        return _odd_clock(values, slope, away)
    if unit == "s" and numbers.whole:
        why = "whole seconds: a clock, but too coarse to place readings by"
        return ColumnGuess({"is": "ignore"}, 0.8, why)
    table: dict[str, Any] = {"is": "device_time", "unit": unit}
    why = f"runs {ratio:.4f} times as fast as this computer's clock over {span:.1f} s"
    sure = 0.95 if span > 1 else 0.75
    if bits is not None:
        table["bits"] = bits
        why += f", and rolled over at {bits} bits"
    elif numbers.whole:
        why += "; it never rolled over here: see in the manual how many bits it has"
    return ColumnGuess(table, sure, why)


def _odd_clock(values: NDArray[np.float64], slope: float, away: float) -> ColumnGuess | None:
    """A clock in tenths or hundredths of a unit, which no setting describes."""
    if slope <= 0 or away > 2 * _HOST_JITTER or np.any(np.diff(values) <= 0):
        return None
    power = round(float(np.log10(slope)))
    if power < 1 or abs(slope / 10.0**power - 1) > 0.02:
        return None
    why = (
        f"rises evenly by 1e{power} a second: a clock in units of 1e-{power} s, which is none of"
        " ns, us, ms and s"
    )
    return ColumnGuess({"is": "ignore"}, 0.7, why)


def _encoder(numbers: Numbers) -> ColumnGuess | None:
    values, bits, signed = numbers.values, None, False
    if numbers.whole:
        values, bits, signed = unwrapped(values)
    period = None
    if numbers.whole and bits is None:
        values, period = decimal_unwrapped(values)
    steps = np.diff(values)
    resting = float(np.mean(steps == 0))
    # An axis that is stepped from line to line rests most of the time.
    moving = persistence(values[np.concatenate(([True], steps != 0))] if resting > 0.9 else values)
    if (
        moving < _MOVES
        or reversals(values) > _MOST_REVERSALS
        or np.unique(values).size < (3 if resting > 0.9 else 6)
    ):
        return None
    if not numbers.whole:
        return _position(values, steps, moving, numbers.places)
    table: dict[str, Any] = {"is": "counts"}
    why = f"whole numbers that move smoothly from {values.min():.0f} to {values.max():.0f}"
    if resting > 0.9:
        sure = 0.55
        why += ", but rest most of the time: an axis that is stepped?"
    elif (steps > 0).any() and (steps < 0).any():
        sure = 0.92
        why += ", both ways"
    elif (steps == 0).mean() > 0.02 or _uneven(values, numbers.times):
        sure = 0.8
        why += ", one way and unevenly"
    else:
        sure = 0.5
        why += (
            ", evenly and one way only: an encoder at a steady speed, a counter or a clock;"
            " capture again while it is moved to and fro"
        )
    if bits is not None:
        table["bits"] = bits
        if signed:
            table["signed"] = True
        why += f"; rolled over at {bits} bits"
    elif period is not None:
        table["rolls_over_after"] = period
        why += f"; rolled over after {period} counts, as a counter of decimal digits does"
    else:
        why += "; it never rolled over here: see in the manual how many bits it has"
    return ColumnGuess(table, sure, why)


def _uneven(values: NDArray[np.float64], times: NDArray[np.float64]) -> bool:
    """The speed differs between the tenths of the capture."""
    at = np.linspace(0, values.size - 1, 11).astype(int)
    spans = np.diff(times[at])
    if (spans <= 0).any():
        return False
    speeds = np.abs(np.diff(values[at])) / spans
    return float(speeds.max()) > 1.3 * float(speeds.min())


def _position(
    values: NDArray[np.float64], steps: NDArray[np.float64], moving: float, places: int
) -> ColumnGuess | None:
    """A length that moves; wall thickness may change smoothly, too, but not as far."""
    low, high = float(values.min()), float(values.max())
    far = high - low > 0.8 * abs(float(np.median(values))) or low < 0 <= high
    if not far or moving < 0.75 or high - low < 20 * 10.0**-places:
        return None
    both = (steps > 0).any() and (steps < 0).any()
    table: dict[str, Any] = {
        "is": "position",
        "unit": "in" if high - low < 20 and places >= 3 else "mm",
    }
    why = f"moves smoothly from {low:g} to {high:g}" + (", both ways" if both else "")
    return ColumnGuess(table, 0.7, why + "; the bytes do not show the unit")
