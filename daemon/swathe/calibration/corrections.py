"""Corrections to the plain law: temperature of the part, V-path of a dual-element probe.

Temperature: the velocity falls as steel gets warmer, so that a warm part reads thick by the law of
a cold block. Over the range of a plant a straight line does: ``v(T) = v_block (1 - k (T - T_block))``.
The part's own thermal expansion (about 1.2e-5 per K, a tenth of this; from memory) is left alone:
the result is the thickness at the part's temperature.

V-path: with two elements side by side, `separation` mm apart, the pulse goes down one leg and up
the other. By Pythagoras a leg is ``sqrt(thickness² + (separation / 2)²)`` (geometry; the same
triangle as the figure of ASTM E797 for dual-element probes, from memory).

Curvature: a probe on a pipe couples over less than its face, and how much that matters depends on
its size, its frequency and the couplant. There is no formula for it here; it is left to the
procedure, which has the block curved alike or the minimum diameter of a probe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from swathe.arrays import Floats
from swathe.errors import CalibrationError

__all__ = [
    "TEMPERATURE_COEFFICIENTS",
    "Known",
    "TemperatureCoefficient",
    "half_path",
    "over_reading",
    "temperature_coefficient",
    "temperature_factor",
    "thickness_of_half_path",
]


ABSOLUTE_ZERO = -273.15
# A linear law is a small correction or it is none: beyond this share of the velocity the numbers
# given are a slip (degF for degC, percent for a share).
_MOST_CHANGE = 0.2


class Known(StrEnum):
    """How a number of a table is known."""

    TEXT = "seen in a text"
    MEMORY = "from memory"


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureCoefficient:
    """By how much the velocity falls.

    Attributes:
        name: of the material or rule.
        per_kelvin: share of the velocity lost per kelvin.
        u_per_kelvin: its standard uncertainty.
        source: where the number is from.
        known: how.
    """

    name: str
    per_kelvin: float
    u_per_kelvin: float
    source: str
    known: Known


_RULE, _STEEL_1018 = 0.01 / 55, 0.8e-3 / 5.92
# Nothing is known of either number's uncertainty but that the two differ: a rectangular distribution
# of that half-width, JCGM 100 4.3.7.
_U_KNOWN = (_RULE - _STEEL_1018) / math.sqrt(3)

TEMPERATURE_COEFFICIENTS = {
    entry.name: entry
    for entry in (
        TemperatureCoefficient(
            name="steel rule of thumb",
            per_kelvin=_RULE,
            u_per_kelvin=_U_KNOWN,
            source="1 % per 55 °C, as ASTM E797 has it; its text was not seen",
            known=Known.MEMORY,
        ),
        TemperatureCoefficient(
            name="steel 1018",
            per_kelvin=_STEEL_1018,
            u_per_kelvin=_U_KNOWN,
            source="about 0.8 m/s per °C from 0 to 50 °C, Do Trung Kien et al., Communications in "
            "Physics (VAST), abstract; made a share by 5920 m/s",
            known=Known.TEXT,
        ),
    )
}
"""The two differ by a quarter: pass the one that the procedure names, or one of its own.

Their standard uncertainty is that difference over the square root of three."""


def temperature_coefficient(name: str) -> TemperatureCoefficient:
    """Return a coefficient by its name.

    Raises:
        CalibrationError: the table has none of that name; the text lists those that it has.
    """
    found = TEMPERATURE_COEFFICIENTS.get(" ".join(name.lower().replace("_", " ").split()))
    if found is None:
        known = ", ".join(TEMPERATURE_COEFFICIENTS)
        msg = f"temperature coefficient must be one of {known}, or a number per K (got {name!r})"
        raise CalibrationError(msg)
    return found


def temperature_factor(
    coefficient_per_kelvin: float, part_celsius: float, block_celsius: float
) -> float:
    """Return what the velocity on the block is multiplied by on the part: ``1 - k (T - T_block)``.

    Args:
        coefficient_per_kelvin: share of the velocity lost per kelvin, k.
        part_celsius: temperature of the part, degC.
        block_celsius: temperature of the block at the calibration, degC.

    Raises:
        CalibrationError: no temperature, or a change too great for a straight line; look at the
            unit, or calibrate on a block at the part's temperature.
    """
    for what, value in (("part", part_celsius), ("block", block_celsius)):
        if not (math.isfinite(value) and value > ABSOLUTE_ZERO):
            msg = f"temperature of the {what} must be above {ABSOLUTE_ZERO} °C (got {value})"
            raise CalibrationError(msg)
    change = coefficient_per_kelvin * (part_celsius - block_celsius)
    if not abs(change) <= _MOST_CHANGE:
        msg = (
            f"the temperature may change the velocity by at most {_MOST_CHANGE:.0%} "
            f"(got {change:.3g} for {coefficient_per_kelvin:g} per K from {block_celsius:g} °C to "
            f"{part_celsius:g} °C): give the coefficient as a share per K and temperatures in °C, "
            "or calibrate on a block at the part's temperature"
        )
        raise CalibrationError(msg)
    return 1 - change


def half_path(thickness: ArrayLike, separation: float) -> Floats:
    """Return the path from one element to the back wall in mm, of the shape of `thickness` (mm)."""
    wall = np.asarray(thickness, np.float64)
    # Without separation the value is returned unchanged, to the last bit.
    return wall if separation == 0 else np.asarray(np.hypot(wall, separation / 2))


def thickness_of_half_path(path: ArrayLike, separation: float) -> Floats:
    """Return the thickness in mm of the path `path` (mm, any shape).

    NaN where it is shorter than half the separation: that cannot be a wall.
    """
    p = np.asarray(path, np.float64)
    half = separation / 2
    with np.errstate(invalid="ignore"):
        wall = p if half == 0 else np.sqrt((p - half) * (p + half))
        return np.where(p >= half, wall, np.nan)


def over_reading(thickness: ArrayLike, separation: float) -> Floats:
    """Return by how much a wall of `thickness` (mm) reads thick when the V-path is left out, mm.

    With the zero offset held; it grows as the wall thins.
    """
    wall = np.asarray(thickness, np.float64)
    return half_path(wall, separation) - wall
