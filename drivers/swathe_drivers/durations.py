"""Times as settings tell them: a number and its unit."""

import re
from fractions import Fraction
from typing import Annotated, Final

from pydantic import AfterValidator, Field

from swathe_drivers.settings import problem
from swathe_drivers.units import TIME_POWERS

_DURATION: Final = re.compile(r"\s*([+-]?\d+(?:\.\d*)?|[+-]?\.\d+)\s*(ns|us|µs|μs|ms|s)\s*")
_MAX_DURATION_NS: Final = 10**12


def _check_duration(text: str) -> str:
    found = _DURATION.fullmatch(text)
    if found is None or abs(nanoseconds(text)) > _MAX_DURATION_NS:
        raise problem("must be a time of at most 1000 s with its unit, like '10 ns' or '0.5 us'")
    return text


def nanoseconds(text: str) -> Fraction:
    """The time that a checked text such as `10 ns` tells, ns."""
    found = _DURATION.fullmatch(text)
    assert found is not None  # noqa: S101  checked when the settings were read
    unit = found[2].replace("µ", "u").replace("μ", "u")
    return Fraction(found[1]) * int(10 ** TIME_POWERS[unit])


Duration = Annotated[str, Field(max_length=32), AfterValidator(_check_duration)]
"""A number and a unit of time, e.g. `10 ns`."""
