"""The law that makes a thickness of a time of flight, with all that is applied to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from swathe.arrays import Floats
from swathe.calibration.corrections import half_path, thickness_of_half_path
from swathe.errors import CalibrationError

__all__ = ["ThicknessLaw", "fill_thickness"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThicknessLaw:
    """From time of flight to thickness and back.

    The pulse goes there and back: ``path = velocity * factor * (time - zero) / 2`` (relation of
    ASTM E797 and ISO 16809; from memory, the texts were not at hand); for a dual-element probe the
    wall is the upright of the triangle whose long side is that path, see `corrections`.

    Attributes:
        velocity: on the block at the block's temperature, mm/µs.
        zero_offset: time of flight outside the part, µs.
        separation: between the two elements of a dual-element probe, mm; 0 for no V-path.
        temperature_factor: multiplies the velocity; 1 for none.
        corrections: corrections applied in addition to velocity and zero offset, as texts.
    """

    velocity: float
    zero_offset: float = 0.0
    separation: float = 0.0
    temperature_factor: float = 1.0
    corrections: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what is no law.

        Raises:
            CalibrationError: a value that cannot be; give one that can.
        """
        for name, value, holds, requirement in (
            ("velocity", self.velocity, self.velocity > 0, "> 0 mm/µs"),
            ("zero_offset", self.zero_offset, True, "a time in µs"),
            ("separation", self.separation, self.separation >= 0, ">= 0 mm"),
            ("temperature_factor", self.temperature_factor, self.temperature_factor > 0, "> 0"),
        ):
            if not (math.isfinite(value) and holds):
                msg = f"'{name}' must be {requirement} (got {value})"
                raise CalibrationError(msg)

    def path(self, time_of_flight: ArrayLike) -> Floats:
        """Return the path from an element to the back wall in mm, of times in µs of any shape."""
        time = np.asarray(time_of_flight, np.float64)
        return np.asarray(
            self.velocity * self.temperature_factor * (time - self.zero_offset) / 2, np.float64
        )

    def thickness(self, time_of_flight: ArrayLike) -> Floats:
        """Return the thickness in mm of times of flight in µs, shape as given.

        NaN where the time is NaN or too short to be a wall.
        """
        return thickness_of_half_path(self.path(time_of_flight), self.separation)

    def time_of_flight(self, thickness: ArrayLike) -> Floats:
        """Return the time of flight in µs of thicknesses in mm, shape as given.

        NaN where the thickness is below zero.
        """
        wall = np.asarray(thickness, np.float64)
        path = half_path(wall, self.separation)
        time = self.zero_offset + 2 * path / (self.velocity * self.temperature_factor)
        return np.where(wall >= 0, time, np.nan)


def fill_thickness(readings: NDArray[Any], law: ThicknessLaw | None) -> None:
    """Fill in the thickness of readings that came as time of flight, in place.

    A thickness that the instrument sent itself stays as it is. A reading whose thickness comes
    out at zero or below cannot be a wall; it is taken as one without signal.
    """
    if law is not None:
        absent = np.isnan(readings["thickness"])
        readings["thickness"][absent] = law.thickness(readings["time_of_flight"][absent])
    with np.errstate(invalid="ignore"):
        readings["valid"] &= readings["thickness"] > 0
