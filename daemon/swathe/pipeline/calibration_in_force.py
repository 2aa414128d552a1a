"""The calibration by which times of flight become thicknesses, and what it does not cover."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.calibration import ThicknessLaw
from swathe.calibration.law import fill_thickness
from swathe.reading_flags import ReadingFlag
from swathe.station import Station, calibrated_range, law_of

__all__ = ["AppliedCalibration", "CalibrationInForce"]


@dataclass(frozen=True, slots=True)
class AppliedCalibration:
    """A calibration that readings of the survey were computed with.

    Attributes:
        velocity: on the part, that is with the correction for its temperature, mm/µs.
        zero_offset: µs.
        record: id of the calibration record; empty for values of the station file.
    """

    velocity: float
    zero_offset: float
    record: str


class CalibrationInForce:
    """Computes thicknesses, flags those outside the calibrated range, and counts them.

    Attributes:
        outside: valid readings on the plan that are outside the calibrated range.
        applied: calibrations that readings on the plan were computed with, each once, in the order
            of their first use; None for thicknesses that the instrument sent.
        now: the one in force; None likewise.
    """

    def __init__(self) -> None:
        self.outside = 0
        self.applied: list[AppliedCalibration | None] = []
        self._law: ThicknessLaw | None = None
        self._bounds: tuple[float, float] | None = None
        self.now: AppliedCalibration | None = None

    def open_run(self, station: Station) -> None:
        """Apply the calibration of a station file from now on.

        Raises:
            CalibrationError: its corrections cannot be applied.
        """
        self._law = law = law_of(station)
        self._bounds = calibrated_range(station)
        self.now = None
        if law is not None:
            record = "" if station.record is None else station.record.id
            velocity = law.velocity * law.temperature_factor
            self.now = AppliedCalibration(velocity, law.zero_offset, record)

    def fill(self, readings: NDArray[Any]) -> None:
        """Fill in thicknesses of readings (dtype `READING`) and flag those outside, in place."""
        fill_thickness(readings, self._law)
        if self._bounds is None:
            return
        low, high = self._bounds
        thickness = readings["thickness"]
        with np.errstate(invalid="ignore"):
            outside = readings["valid"] & ((thickness < low) | (thickness > high))
        if outside.any():
            readings["flags"][outside] |= np.uint16(ReadingFlag.OUTSIDE_CALIBRATION)

    def count(self, readings: NDArray[Any]) -> None:
        """Count valid readings on the plan, dtype `READING`."""
        if not readings.size:
            return
        if self.now not in self.applied:
            self.applied.append(self.now)
        outside = readings["flags"] & np.uint16(ReadingFlag.OUTSIDE_CALIBRATION)
        self.outside += int(np.count_nonzero(outside))
