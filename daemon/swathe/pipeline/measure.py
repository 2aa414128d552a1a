"""From time of flight to thickness, by the law in force."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.calibration import ThicknessLaw

__all__ = ["fill_thickness"]


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
