"""Numbers that run or move: running numbers, device clocks, encoders."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.series import Series, persistence, reversals, slope_of, unwrapped
from swathe_drivers.suggest.travels import travels_of

__all__ = ["Role", "clock_of", "motion_of", "quadrature_of", "sequence_of"]

_PER_SECOND: Final[Mapping[str, float]] = {"ns": 1e9, "us": 1e6, "ms": 1e3, "s": 1.0}
_TICKS: Final = (
    *(
        ("ms", 0.1),
        ("ms", 10.0),
        ("us", 100.0),
        ("us", 10.0),
        ("us", 0.1),
        ("ns", 62.5),
        ("ns", 100.0),
    ),
    *(
        ("ms", 5.0),
        ("ms", 2.0),
        ("ms", 20.0),
        ("us", 50.0),
        ("us", 500.0),
        ("us", 250.0),
        ("us", 2.0),
        ("us", 4.0),
    ),
    *(
        ("us", 5.0),
        ("us", 20.0),
        ("us", 25.0),
        ("us", 200.0),
        ("us", 0.5),
        ("us", 0.25),
        ("us", 8.0),
        ("us", 16.0),
    ),
    *(
        ("us", 1e6 / 32768),
        ("us", 1e6 / 1024),
        ("us", 1e6 / 65536),
        ("ns", 40.0),
        ("ns", 20.0),
        ("ns", 10.0),
    ),
)
"""Ticks of clocks: tenths, hundredths, and those of usual crystals."""
_MOVES: Final = 0.6
"""Persistence from which on numbers are taken to move rather than to be noise."""
_MOST_REVERSALS: Final = 0.2
"""A mass turns now and then; noise on a basis that drifts turns at every other step."""
_HOST_JITTER: Final = 0.05  # s by which a record may be late at the host
_STEPPED: Final = 0.9  # resting so often, it is an axis that is stepped
_LEAST_PULSES: Final = 0.9
_FEWEST_DIGITS: Final = 20
_LEAST_PERIOD: Final = 2.0  # s
_COUNTED: Final = 4
"""A number that goes by fewer from one record to the next may count records."""


@dataclass(frozen=True, slots=True)
class Role:
    """What a column or field is taken for.

    Attributes:
        kind: as the key `is`.
        score: how well it fits, to compare candidates; has no meaning of its own.
        basis: what it rests on.
        why: in words.
        keys: other keys that do not depend on the driver: unit, scale, offset, wrap.
        period: number of values after which it starts again, where that was seen.
        shown: by how much one number of it is multiplied for the one that the display shows; None where
            no number of the display speaks for it.
    """

    kind: str
    score: float
    basis: Basis
    why: str
    keys: dict[str, Any]
    period: int | None = None
    shown: float | None = None


def quadrature_of(series: Series) -> Role | None:
    """The levels of both lines of an encoder: never both change at once."""
    if not series.may_be("quadrature") or set(series.values.tolist()) != {0.0, 1.0, 2.0, 3.0}:
        return None
    states = series.values.astype(np.int64)
    changed = states[1:] ^ states[:-1]
    moves = int(np.count_nonzero(changed))
    if moves < 8 or np.count_nonzero(changed == 3) > 0.02 * moves:
        return None
    why = f"0 to 3, and in {moves} changes never both bits at once: two lines of an encoder"
    return Role("quadrature", 8.0, Basis.LIKELY, why, {})


def sequence_of(series: Series) -> Role | None:
    """A running number; its `wrap` where it was seen to start again."""
    values = series.values
    if not series.whole or not series.present.all() or values.size < 4 or values.min() < 0:
        return None
    steps = np.diff(values)
    ones = float(np.mean(steps == 1))
    falls = np.flatnonzero(steps < 0)
    if (
        not series.may_be("sequence")
        or ones + falls.size / steps.size < _LEAST_PULSES
        or ones < 0.75
    ):
        return None
    keys: dict[str, Any] = {}
    basis = Basis.SHOWN
    period: int | None = None
    why = f"goes up by 1 in {ones * 100:.0f} % of the records"
    if falls.size:
        tops, bottoms = values[falls], values[falls + 1]
        period = int(tops.max()) + 1
        if (bottoms <= 2).all() and (tops >= period - 3).all() and bottoms.min() == 0:
            keys["wrap"] = period
            why += f" and starts again at 0 behind {period - 1}"
        else:
            return Role(
                "ignore",
                1.0,
                Basis.GUESS,
                f"{why}; it falls back from {_few(tops)} to {_few(bottoms)}, which no 'wrap' describes",
                {},
            )
    elif series.span is not None:
        why += f"; it starts again with its type, after {series.span:,}, if no manual states less ('wrap')"
    else:
        why += "; it never started again: see in the manual where it does ('wrap')"
    slope, away = slope_of(values, series.times)
    span = float(series.times[-1])
    unit = next((u for u, w in _PER_SECOND.items() if _near(slope, w, span) and away < 0.1), None)
    if unit is not None and not falls.size:
        basis = Basis.LIKELY
        why += f"; it may as well be a clock in {unit}, as the records come one a {unit}"
    return Role("sequence", 9.0, basis, why, keys, period)


def _few(values: Any) -> str:  # noqa: ANN401  an array
    return ", ".join(f"{value:g}" for value in np.unique(values)[:3])


def _near(slope: float, wanted: float, span: float) -> bool:
    return abs(slope / wanted - 1) < 0.005 + _HOST_JITTER / max(span, 1e-9)


def clock_of(series: Series) -> Role | None:
    """A clock of the device: it runs as evenly as that of the host."""
    if not series.present.all() or series.values.size < 6 or not series.may_be("device_time"):
        return None
    values, period = series.values, None
    if series.whole and values.min() >= 0:
        values, period = unwrapped(values, series.span)
    steps = np.diff(values)
    if np.any(steps < 0) or not steps.any():
        return None
    span = float(series.times[-1])
    slope, away = slope_of(values, series.times)
    if away > 2 * _HOST_JITTER or slope <= 0 or span < 0.3:
        return None
    for unit, scale in (*((unit, 1.0) for unit in _PER_SECOND), *_TICKS):
        wanted = _PER_SECOND[unit] / scale
        if not _near(slope, wanted, span) or wanted * 10.0**series.places < 5:
            continue
        keys: dict[str, Any] = {"unit": unit}
        if scale != 1.0:
            keys["scale"] = scale
        ratio = slope / wanted
        what = f"{scale:g} {unit}" if scale != 1.0 else unit
        why = f"in {what} it runs {ratio:.4f} times as fast as this computer's clock over {span:.1f} s"
        if period is not None:
            why += f", and starts again after {period:,}"
        elif series.span is None:
            why += "; it never started again: see in the manual where it does"
        if period is not None and period < _LEAST_PERIOD * wanted:
            why += f": it starts again every {period / wanted:.2g} s, too often to tell when a reading was"
            return Role("ignore", 2.0, Basis.LIKELY, why, {})
        if (
            series.whole
            and float(np.mean(steps == steps[0])) > _LEAST_PULSES
            and steps[0] < _COUNTED
        ):
            # Records that come evenly are counted by numbers that run as a clock does.
            why += f"; or a number of records, as it goes by {steps[0]:g} from one to the next"
            return Role("ignore", 2.0, Basis.GUESS, why, {})
        basis = Basis.SHOWN if span > 2 else Basis.LIKELY
        # Of two clocks, the finer one with more numbers.
        finer = 0.01 * min(40.0, np.log2(wanted) + np.log2(period or series.span or 2.0**32))
        return Role("device_time", 8.5 + finer, basis, why, keys, period)
    if np.all(steps > 0) and abs(slope - 1) < 0.02:
        return Role(
            "ignore", 2.0, Basis.LIKELY, "seconds: too coarse a clock to place readings by", {}
        )
    return None


def motion_of(series: Series) -> Role | None:
    """A count or a length that moves as an encoder does."""
    values = series.values
    if not series.present.all() or values.size < 8:
        return None
    if not (series.may_be("counts") or series.may_be("position")):
        return None
    period = None
    if series.whole:
        values, period = unwrapped(values, series.span)
        if series.span is not None and period is None and series.low == 0:
            values, period = unwrapped(values)  # fewer values than the type holds
    steps = np.diff(values)
    if not steps.any():
        return None
    resting = float(np.mean(steps == 0))
    different = np.unique(values).size
    moved = values[np.concatenate(([True], steps != 0))] if resting > _STEPPED else values
    moving = persistence(moved)
    turning = reversals(values)
    if moving < _MOVES or turning > _MOST_REVERSALS or different < (3 if resting > _STEPPED else 6):
        return _resting_motion(series, values, period)
    low, high = float(values.min()), float(values.max())
    score = 3.0 + 4.0 * (moving - _MOVES) / (1 - _MOVES) + min(3.0, np.log10(different))
    kind = "counts" if series.whole and series.may_be("counts") else "position"
    why = f"moves smoothly from {low:g} to {high:g}"
    both = bool((steps > 0).any() and (steps < 0).any())
    basis = Basis.LIKELY
    if resting > _STEPPED:
        score -= 3.0
        why += ", but rests most of the time: an axis that is stepped?"
    elif both:
        score += 2.0
        basis = Basis.SHOWN if different > 50 and moving > 0.85 else Basis.LIKELY
        why += ", both ways"
    elif (resting > 0.02 or _uneven(values, series)) and not _runs_evenly(values, series):
        why += ", one way and unevenly"
    else:
        score -= 2.0
        basis = Basis.GUESS
        why += ", evenly and one way only: a clock or a counter does the same; capture a motion to and fro"
    far = high - low > 0.8 * abs(float(np.median(values))) or low < 0 <= high or period is not None
    score += 1.5 if far else -2.0
    if period is not None:
        why += f"; it starts again after {period:,} counts"
    elif series.whole and series.span is None:
        why += "; it never rolled over here: see in the manual where it does"
    if not series.whole and (high - low) < 20 * 10.0**-series.places:
        return None
    return Role(kind, score, basis, why, {}, period)


def _resting_motion(series: Series, values: Any, period: int | None) -> Role | None:  # noqa: ANN401  an array
    """An axis that rests for long while its last digit dithers, and travels in between."""
    digit = 1.0 if series.whole else 10.0**-series.places
    travels = travels_of(values, digit)
    if not travels.are_motion or np.ptp(values) < _FEWEST_DIGITS * digit:
        return None
    if series.values.min() >= 0 and travels.ahead < 0.5 and period is None:
        return None  # as a wall with pits, of which each side leads back
    kind = "counts" if series.whole and series.may_be("counts") else "position"
    low, high = float(values.min()), float(values.max())
    score = 3.0 + 2.0 * travels.share + min(3.0, np.log10(np.unique(values).size))
    score += 1.5 if low < 0 or high - low > 0.8 * abs(float(np.median(values))) else -2.0
    why = (
        f"travels {travels.number} times between {low:g} and {high:g}, and rests or dithers by a digit"
        f" in {travels.resting:.0%} of the records"
    )
    if period is not None:
        why += f"; it starts again after {period:,} counts"
    elif series.whole and series.span is None:
        why += "; it never rolled over here: see in the manual where it does"
    return Role(kind, score, Basis.LIKELY, why, {}, period)


def _runs_evenly(values: Any, series: Series) -> bool:  # noqa: ANN401  an array
    """It follows the time all along, as a counter of measurements or a clock does, however it is polled."""
    rising = values if values[-1] >= values[0] else -values
    _, away = slope_of(rising, series.times)
    return away < _HOST_JITTER + 2.0 / max(1e-9, abs(float(values[-1] - values[0]))) * float(
        series.times[-1] - series.times[0]
    )


def _uneven(values: Any, series: Series) -> bool:  # noqa: ANN401  an array
    """The speed differs between the tenths of the capture."""
    at = np.linspace(0, values.size - 1, 11).astype(int)
    spans = np.diff(series.times[at])
    if (spans <= 0).any():
        return False
    speeds = np.abs(np.diff(values[at])) / spans
    return float(speeds.max()) > 1.3 * float(speeds.min())
