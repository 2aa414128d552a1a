"""The sound beam of a flat circular probe: where its near field ends, how wide it is.

Piston theory for continuous waves (any textbook of ultrasonics; the constants are computed in the
tests from ``2 J1(x) / x``). Lengths in mm, frequency in MHz, velocity in mm/µs, which makes a
wavelength of ``velocity / frequency`` mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike
from pydantic import BaseModel, ConfigDict, Field, model_validator

from swathe.arrays import Floats
from swathe.errors import CalibrationError

__all__ = [
    "HALF_ANGLE_FACTOR",
    "Beam",
    "Probe",
    "ProbeKind",
    "beam_width",
    "half_angle",
    "last_axial_maximum",
    "near_field",
]

HALF_ANGLE_FACTOR = 0.514
"""Of ``sin(angle) = k c / (f D)`` where the echo of a small reflector has fallen by 6 dB.

Pulse-echo, so the pressure has fallen by 3 dB each way. Texts print 0.51 or 0.514; for -6 dB one way
or -12 dB in the echo it is 0.70, for -20 dB in the echo 0.87, for the first null 1.22.
"""


class ProbeKind(StrEnum):
    """How many elements a probe has."""

    SINGLE = "single"
    DUAL = "dual"


def near_field(diameter: float, frequency: float, velocity: float) -> float:
    """Return the length of the near field in mm: ``D² f / (4 c)``.

    Raises:
        CalibrationError: a value that is not above zero.
    """
    _check(diameter, frequency, velocity)
    return diameter * diameter * frequency / (4 * velocity)


def last_axial_maximum(diameter: float, frequency: float, velocity: float) -> float:
    """Return the distance of the last maximum on the axis in mm: ``(D² - w²) / (4 w)``.

    It is exact, and nearer than `near_field` by a quarter of the wavelength w.

    Raises:
        CalibrationError: a value that is not above zero, or a probe narrower than a wavelength,
            which has no such maximum.
    """
    _check(diameter, frequency, velocity)
    wave = velocity / frequency
    if diameter <= wave:
        msg = (
            f"a probe must be wider than a wavelength to have a near field (got {diameter:g} mm "
            f"at a wavelength of {wave:.3g} mm): look at diameter and frequency"
        )
        raise CalibrationError(msg)
    return (diameter * diameter - wave * wave) / (4 * wave)


def half_angle(
    diameter: float, frequency: float, velocity: float, *, k: float = HALF_ANGLE_FACTOR
) -> float:
    """Return the angle from the axis to the beam's edge in degrees: ``sin(angle) = k c / (f D)``.

    Args:
        diameter: mm.
        frequency: MHz.
        velocity: mm/µs.
        k: what counts as the edge; the default is where the echo has fallen by 6 dB.

    Raises:
        CalibrationError: a value that is not above zero, or a probe too small to make a beam.
    """
    _check(diameter, frequency, velocity)
    sine = k * velocity / (frequency * diameter)
    if not 0 < sine < 1:
        msg = (
            f"sin(angle) must lie between 0 and 1 (got {sine:.3g} for {diameter:g} mm at "
            f"{frequency:g} MHz): such a probe makes no beam; look at diameter and frequency"
        )
        raise CalibrationError(msg)
    return math.degrees(math.asin(sine))


@dataclass(frozen=True, slots=True)
class Beam:
    """How wide a beam is at a depth, where the echo has fallen by 6 dB.

    Attributes:
        narrowest: width within the near field, mm.
        opening: by how much the beam widens per mm of depth behind the near field.
    """

    narrowest: float
    opening: float = 0.0

    @classmethod
    def of_piston(cls, *, diameter: float, frequency: float, velocity: float) -> Beam:
        """Return the beam of a flat circular element, see `beam_width`.

        Args:
            diameter: mm.
            frequency: MHz.
            velocity: mm/µs.

        Raises:
            CalibrationError: a value that cannot be, or a probe too small to make a beam.
        """
        angle = half_angle(diameter, frequency, velocity)
        return cls(HALF_ANGLE_FACTOR * diameter / 2, 2 * math.tan(math.radians(angle)))

    def width(self, depth: ArrayLike) -> Floats:
        """Return the full width in mm at depths in mm, shape as given."""
        return np.maximum(self.narrowest, self.opening * np.asarray(depth, np.float64))


def beam_width(depth: float, *, diameter: float, frequency: float, velocity: float) -> float:
    """Return the full width of the beam at a depth, mm, where the echo has fallen by 6 dB.

    Behind the near field the beam opens by `half_angle`. Within it the narrowest width is returned
    throughout, which is the width at its end, ``k D / 2``, about a quarter of the diameter (0.25 D
    in textbooks, from memory): the beam is about as wide as the probe at the surface, so an index
    step chosen by this overlaps more than required, never less. It is not a bound on how small a
    pit may be and still be seen.

    Args:
        depth: below the surface, mm, 0 or more.
        diameter: mm.
        frequency: MHz.
        velocity: mm/µs.

    Raises:
        CalibrationError: a value that cannot be, or a probe too small to make a beam.
    """
    if not (math.isfinite(depth) and depth >= 0):
        msg = f"'depth' must be >= 0 mm (got {depth})"
        raise CalibrationError(msg)
    beam = Beam.of_piston(diameter=diameter, frequency=frequency, velocity=velocity)
    return float(beam.width(depth))


def _check(diameter: float, frequency: float, velocity: float) -> None:
    for name, value, unit in (
        ("diameter", diameter, "mm"),
        ("frequency", frequency, "MHz"),
        ("velocity", velocity, "mm/µs"),
    ):
        if not (math.isfinite(value) and value > 0):
            msg = f"'{name}' must be > 0 {unit} (got {value})"
            raise CalibrationError(msg)


class Probe(BaseModel):
    """A probe, as far as its beam and its path go."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    kind: ProbeKind = ProbeKind.SINGLE
    diameter_mm: float = Field(gt=0, description="of the element")
    frequency_MHz: float = Field(gt=0)  # noqa: N815 (a unit's symbol keeps its capitals)
    separation_mm: float = Field(0.0, ge=0, description="between the elements of a dual one")

    @model_validator(mode="after")
    def _separation_is_of_two(self) -> Probe:
        if self.kind is ProbeKind.SINGLE and self.separation_mm:
            msg = "separation_mm must be 0 for a single element: say kind = 'dual', or leave it out"
            raise ValueError(msg)
        return self

    def near_field(self, velocity: float) -> float:
        """Return the length of the near field in mm in a part of that velocity (mm/µs).

        Raises:
            CalibrationError: a dual-element probe, or a velocity that cannot be.
        """
        self._require_single()
        return near_field(self.diameter_mm, self.frequency_MHz, velocity)

    def beam_width(self, depth: float, velocity: float) -> float:
        """Return the width of the beam in mm at a depth (mm), see `beam_width`.

        Raises:
            CalibrationError: a dual-element probe, or a value that cannot be.
        """
        self._require_single()
        return beam_width(
            depth,
            diameter=self.diameter_mm,
            frequency=self.frequency_MHz,
            velocity=velocity,
        )

    def _require_single(self) -> None:
        if self.kind is ProbeKind.DUAL:
            msg = (
                "the beam of a dual-element probe is where those of its two elements cross, which "
                "its diameter does not give: take width and working range from its data sheet"
            )
            raise CalibrationError(msg)
