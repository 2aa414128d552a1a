"""Quantities with units at the edges; plain SI-scaled floats inside.

Inside Swathe lengths are mm, times of flight µs, durations ns (int), velocities mm/µs (which is
km/s), frequencies MHz, temperatures degC, amplitudes and shares percent. A station file may use any unit that pint knows::

    length("7 in")          -> 177.8
    velocity("5920 m/s")    -> 5.92
    duration_ns("50 ms")    -> 50_000_000

Pint's ``mil`` is an angle; a thickness in "mil" is refused with the hint to
write ``thou``, since a silent reading of it would be wrong by any measure.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from tokenize import TokenError
from typing import TYPE_CHECKING, Annotated

from pydantic import BeforeValidator

if TYPE_CHECKING:
    from pint import UnitRegistry

__all__ = [
    "MM_PER_INCH",
    "Acceleration",
    "Angle",
    "Decibels",
    "Duration",
    "Frequency",
    "Length",
    "Percent",
    "QuantityReader",
    "Speed",
    "Temperature",
    "TemperatureDifference",
    "TimeOfFlight",
    "Velocity",
    "acceleration",
    "angle",
    "decibels",
    "duration_ns",
    "frequency",
    "length",
    "percent",
    "speed",
    "temperature",
    "temperature_difference",
    "time_of_flight",
    "velocity",
]

_QUANTITY = re.compile(
    r"\s*(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>[A-Za-zµμ°][A-Za-zµμ°0-9/*^ ]{0,30}?)\s*"
)
# Raised by the units library's parser and arithmetic for a unit that is none ("m/", "mm/0").
_PARSE_ERRORS = (
    ValueError,
    TypeError,
    AttributeError,
    TokenError,
    SyntaxError,
    AssertionError,
    ArithmeticError,
    LookupError,
)
_ABSOLUTE_ZERO = -273.15
_TEMPERATURES = {
    "degc": "degC",
    "°c": "degC",
    "celsius": "degC",
    "degf": "degF",
    "°f": "degF",
    "fahrenheit": "degF",
    "k": "kelvin",
    "kelvin": "kelvin",
}
MM_PER_INCH = 25.4
"""Exact: NIST SP 811 (2008), appendix B.8."""

# Factors of the units that most station files use, by the unit of the result. They are pint's, which
# takes a third of a second to load and is asked for every other unit.
_FACTORS = {
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "um": 0.001, "thou": 0.0254},
    "us": {"us": 1.0, "ns": 0.001, "ms": 1000.0, "s": 1e6},
    "mm/us": {"m/s": 0.001, "mm/us": 1.0, "km/s": 1.0},
    "mm/s": {"mm/s": 1.0, "m/s": 1000.0},
    "mm/s**2": {"mm/s^2": 1.0, "m/s^2": 1000.0},
    "MHz": {"MHz": 1.0, "kHz": 0.001},
    "ns": {"ns": 1.0, "us": 1000.0, "ms": 1e6, "s": 1e9, "min": 6e10, "h": 3.6e12},
    "degree": {"deg": 1.0},
}
_DECIBELS = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*dB\s*")
_MIL = re.compile(r"(?<![A-Za-z])mils?(?![A-Za-z])")


@functools.cache
def _registry() -> UnitRegistry[float]:
    # Pint takes a moment to import and to read its definitions: paid once, and only when needed.
    import pint

    return pint.UnitRegistry(cache_folder=None)


def _factor(unit: str, into: str) -> float:
    """Return by how much a number in `unit` is multiplied to be one in the unit `into`.

    Raises:
        ValueError: not a unit of that quantity.
    """
    import pint

    try:
        # Only the unit goes to the parser: a number is a number here, never an expression.
        return float(_registry().Quantity(1.0, unit).m_as(into))
    except (pint.PintError, *_PARSE_ERRORS) as error:
        message = f"{unit!r} is no unit that can be converted to {into}"
        raise ValueError(message) from error


@dataclass(frozen=True, slots=True)
class QuantityReader:
    """Reads a quantity with its unit; call it with the text of a file or of an option.

    Attributes:
        name: of the quantity, for messages.
        unit: of the result.
        example: shown where a text is refused.
    """

    name: str
    unit: str
    example: str

    def __call__(self, text: object) -> float:
        """Return the quantity in `unit`.

        Raises:
            ValueError: not such a quantity; the text is the requirement.
        """
        if isinstance(text, (int, float)) and not isinstance(text, bool) and text == 0:
            return 0.0  # zero is zero in every unit of a ratio scale
        article = "an" if self.name[0] in "aeiou" else "a"
        requirement = f"must be {article} {self.name} with its unit, such as {self.example!r}"
        match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
        if match is None:
            raise ValueError(requirement)
        if _MIL.search(match["unit"]):
            msg = (
                f"must be a {self.name}: 'mil' is an angle to the units library, "
                "write 'thou' for 0.001 in"
            )
            raise ValueError(msg)
        factor = _FACTORS[self.unit].get(match["unit"])
        if factor is None:
            try:
                factor = _factor(match["unit"], self.unit)
            except ValueError as error:
                raise ValueError(requirement) from error
        value = float(match["number"]) * factor
        if not math.isfinite(value):
            msg = f"must be a finite {self.name}, such as {self.example!r}"
            raise ValueError(msg)
        return _rounded(value)


length = QuantityReader("length", "mm", "178 mm")
time_of_flight = QuantityReader("time", "us", "0.42 us")
velocity = QuantityReader("velocity", "mm/us", "5920 m/s")
speed = QuantityReader("speed", "mm/s", "250 mm/s")
acceleration = QuantityReader("acceleration", "mm/s**2", "2000 mm/s^2")
frequency = QuantityReader("frequency", "MHz", "5 MHz")
angle = QuantityReader("angle", "degree", "90 deg")
_duration = QuantityReader("duration", "ns", "50 ms")


def _rounded(value: float) -> float:
    # 7 in is 177.79999999999998 after the conversion; 1e-12 relative is far below any encoder.
    return float(f"{value:.12g}")


def _temperature_parts(text: object, requirement: str) -> tuple[float, str]:
    """Return the number and pint's unit of a temperature, or raise the requirement."""
    match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
    unit = _TEMPERATURES.get(match["unit"].replace(" ", "").casefold()) if match else None
    if match is None or unit is None:
        raise ValueError(requirement)
    return float(match["number"]), unit


def temperature(text: object) -> float:
    """Return a temperature in degC.

    The scales have different zeros, so that even 0 needs its unit.

    Raises:
        ValueError: not a temperature; the text says what is required.
    """
    number, unit = _temperature_parts(
        text, "must be a temperature with its unit, such as '21 degC' or '70 degF'"
    )
    value = float(_registry().Quantity(number, unit).m_as("degC"))
    if not _ABSOLUTE_ZERO <= value < math.inf:
        msg = "must be a temperature above absolute zero"
        raise ValueError(msg)
    return _rounded(value)


def temperature_difference(text: object) -> float:
    """Return a difference of temperatures in K.

    Raises:
        ValueError: not a difference; the text says what is required.
    """
    number, unit = _temperature_parts(
        text, "must be a difference of temperatures with its unit, such as '2 K'"
    )
    step = 5 / 9 if unit == "degF" else 1.0
    return _rounded(number * step)


def duration_ns(text: object) -> int:
    """Return a duration in whole ns.

    Raises:
        ValueError: not a time; the text says what is required.
    """
    return round(_duration(text))


def percent(text: object) -> float:
    """Return a share in percent; a bare number is taken as percent.

    Raises:
        ValueError: not a share; the text says what is required.
    """
    if isinstance(text, (int, float)) and not isinstance(text, bool) and math.isfinite(text):
        return float(text)
    if isinstance(text, str):
        match = re.fullmatch(r"\s*([0-9.]+)\s*%\s*", text)
        if match:
            try:
                value = float(match[1])
            except ValueError:
                value = math.inf
            if math.isfinite(value):
                return value
    msg = "must be a share such as '95 %'"
    raise ValueError(msg)


def decibels(text: object) -> float:
    """Return a level difference in dB; its unit must be given.

    Raises:
        ValueError: no such difference; the text says what is required.
    """
    if isinstance(text, str) and (match := _DECIBELS.fullmatch(text)):
        return float(match[1])
    msg = "must be a level difference such as '2 dB'"
    raise ValueError(msg)


Decibels = Annotated[float, BeforeValidator(decibels)]
Angle = Annotated[float, BeforeValidator(angle)]
Length = Annotated[float, BeforeValidator(length)]
TimeOfFlight = Annotated[float, BeforeValidator(time_of_flight)]
Velocity = Annotated[float, BeforeValidator(velocity)]
Acceleration = Annotated[float, BeforeValidator(acceleration)]
Speed = Annotated[float, BeforeValidator(speed)]
Frequency = Annotated[float, BeforeValidator(frequency)]
Temperature = Annotated[float, BeforeValidator(temperature)]
TemperatureDifference = Annotated[float, BeforeValidator(temperature_difference)]
Duration = Annotated[int, BeforeValidator(duration_ns)]
Percent = Annotated[float, BeforeValidator(percent)]
