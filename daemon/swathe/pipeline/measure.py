"""From time of flight to thickness, by the calibration in force."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.station import CalibrationSettings

__all__ = ["fill_thickness", "thickness_of"]


def thickness_of(
    time_of_flight: NDArray[np.float64], *, velocity: float, zero_offset: float
) -> NDArray[np.float64]:
    """Return thickness in mm of times of flight in µs, shape as given.

    ``thickness = velocity * (time_of_flight - zero_offset) / 2``: the pulse goes there and back
    (relation of ASTM E797 and ISO 16809; from memory, the texts were not at hand).
    """
    return velocity * (time_of_flight - zero_offset) / 2


def fill_thickness(readings: NDArray[Any], calibration: CalibrationSettings | None) -> None:
    """Fill in the thickness of readings that came as time of flight, in place.

    A thickness that the instrument sent itself stays as it is. A reading whose thickness comes
    out at zero or below cannot be a wall; it is taken as one without signal.
    """
    if calibration is not None:
        absent = np.isnan(readings["thickness"])
        readings["thickness"][absent] = thickness_of(
            readings["time_of_flight"][absent],
            velocity=calibration.velocity,
            zero_offset=calibration.zero_offset,
        )
    with np.errstate(invalid="ignore"):
        readings["valid"] &= readings["thickness"] > 0
