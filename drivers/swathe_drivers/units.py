"""Units of what devices send, their conversion to ns, µs, mm and percent, and times in settings."""

import re
from fractions import Fraction
from functools import cache
from typing import Annotated, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, Field

from swathe_drivers.settings import problem

TimeUnit = Literal["ns", "us", "ms", "s"]
LengthUnit = Literal["mm", "um", "in", "thou"]

TIME_POWERS: Final = {"ns": 0, "us": 3, "ms": 6, "s": 9}
"""Power of ten that turns a unit of time into ns."""

DAY_NS: Final = 86_400 * 10**9
"""A day, ns: what a time of day starts again after."""

MAX_VALUE: Final = 1e30
"""No value may be larger, so that none overflows when its unit changes or as a float32."""

_SCALES: Final[dict[str, tuple[float, float]]] = {
    "ns": (1.0, 1000.0),
    "us": (1.0, 1.0),
    "ms": (1000.0, 1.0),
    "s": (1e6, 1.0),
    "mm": (1.0, 1.0),
    "um": (1.0, 1000.0),
    "in": (25.4, 1.0),
    "thou": (25.4, 1000.0),
    "%": (1.0, 1.0),
    "fraction": (100.0, 1.0),
}


MAX_DB: Final = 400.0
"""No level may be further from that of full screen height, dB."""

_MOST_EXACT: Final = 2**53


def largest(unit: str) -> float:
    """Return the largest magnitude that a value in `unit` may have."""
    return MAX_DB if unit == "dB" else MAX_VALUE


@cache
def _ratio(scale: float) -> tuple[float, float]:
    """Numerator and denominator of a scale as it is written, if both are exact; else it and 1."""
    exact = Fraction(repr(scale))
    if max(abs(exact.numerator), exact.denominator) <= _MOST_EXACT:
        return float(exact.numerator), float(exact.denominator)
    return scale, 1.0


@cache
def tick_ns(scale: float, unit: str) -> Fraction:
    """Return the time of one count of a clock that counts `scale` units, ns."""
    return Fraction(str(scale)) * int(10 ** TIME_POWERS[unit])


def linear(values: NDArray[np.float64], scale: float, offset: float) -> NDArray[np.float64]:
    """Return `scale * values + offset`.

    A scale such as 0.01 divides by 100, so that a whole number of hundredths gives the double that is
    nearest to what is meant (W. D. Clinger, "How to read floating point numbers accurately", PLDI
    1990).
    """
    if scale != 1.0:
        times, over = _ratio(scale)
        if times != 1.0:
            values = values * times
        if over != 1.0:
            values = values / over
    return values if offset == 0.0 else values + offset


def unscaled(values: NDArray[np.float64], unit: str) -> NDArray[np.float64]:
    """Values in µs, mm or percent turned into `unit`, which is not dB."""
    times, over = _SCALES[unit]
    if over != 1.0:
        values = values * over
    return values if times == 1.0 else values / times


def scaled(values: NDArray[np.float64], unit: str) -> NDArray[np.float64]:
    """Values in `unit` turned into µs, mm or percent; 0 dB is 100 %."""
    if unit == "dB":
        return np.asarray(100.0 * 10.0 ** (values / 20.0), np.float64)
    times, over = _SCALES[unit]
    if times != 1.0:
        values = values * times
    return values if over == 1.0 else values / over


_DURATION: Final = re.compile(r"\s*([+-]?\d+(?:\.\d*)?|[+-]?\.\d+)\s*(ns|us|µs|μs|ms|s)\s*")
_MAX_DURATION_NS: Final = 10**12


def _check_duration(text: str) -> str:
    found = _DURATION.fullmatch(text)
    if found is None or abs(nanoseconds(text)) > _MAX_DURATION_NS:
        raise problem("must be a time of at most 1000 s with its unit, like '10 ns' or '0.5 us'")
    return text


def nanoseconds(text: str) -> Fraction:
    """The time of a checked text such as `10 ns`, ns."""
    found = _DURATION.fullmatch(text)
    assert found is not None  # noqa: S101  checked when the settings were read
    unit = found[2].replace("µ", "u").replace("μ", "u")
    return Fraction(found[1]) * int(10 ** TIME_POWERS[unit])


DurationText = Annotated[str, Field(max_length=32), AfterValidator(_check_duration)]
"""A number and a unit of time, e.g. `10 ns`."""
