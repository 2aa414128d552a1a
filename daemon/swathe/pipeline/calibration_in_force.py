"""The calibration by which times of flight become thicknesses, and what it does not cover."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, distinct
from swathe.calibration import ThicknessLaw
from swathe.calibration.law import fill_thickness
from swathe.reading_flags import ReadingFlag
from swathe.station import Station, calibrated_range, law_of, probes_of, station_of_probe

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


@dataclass(frozen=True, slots=True)
class _OfProbe:
    """What applies to the readings of one probe; None as in `CalibrationInForce`."""

    law: ThicknessLaw | None
    bounds: tuple[float, float] | None
    applied: AppliedCalibration | None

    @classmethod
    def of(cls, station: Station) -> _OfProbe:
        """Return what applies with a station of one probe."""
        law, applied = law_of(station), None
        if law is not None:
            record = "" if station.record is None else station.record.id
            velocity = law.velocity * law.temperature_factor
            applied = AppliedCalibration(velocity, law.zero_offset, record)
        return cls(law, calibrated_range(station), applied)

    def fill(self, readings: NDArray[Any]) -> None:
        """Fill in thicknesses and flag those outside the calibrated range, in place."""
        fill_thickness(readings, self.law)
        if self.bounds is None:
            return
        low, high = self.bounds
        thickness = readings["thickness"]
        with np.errstate(invalid="ignore"):
            outside = readings["valid"] & ((thickness < low) | (thickness > high))
        if outside.any():
            readings["flags"][outside] |= np.uint16(ReadingFlag.OUTSIDE_CALIBRATION)


class CalibrationInForce:
    """Computes thicknesses by each probe's calibration, flags those outside its range, counts them.

    Attributes:
        outside: valid readings on the plan that are outside the calibrated range.
        applied: calibrations that readings on the plan were computed with, each once, in the order
            of their first use; None for thicknesses that the instrument sent.
    """

    def __init__(self) -> None:
        self.outside = 0
        self.applied: list[AppliedCalibration | None] = []
        self._of = [_OfProbe(None, None, None)]
        # For each calibration which probes have it, by number, shape (256,).
        self._same: dict[_OfProbe, Bools] = {}

    def open_run(self, station: Station) -> None:
        """Apply the calibrations of a station file from now on.

        Raises:
            CalibrationError: their corrections cannot be applied.
        """
        numbers = range(len(probes_of(station)))
        self._of = [_OfProbe.of(station_of_probe(station, number)) for number in numbers]
        self._same = {one: np.zeros(256, bool) for one in self._of}
        for number, one in enumerate(self._of):
            self._same[one][number] = True

    @property
    def of_probes(self) -> tuple[AppliedCalibration | None, ...]:
        """The one in force of each probe."""
        return tuple(one.applied for one in self._of)

    @property
    def now(self) -> AppliedCalibration | None:
        """The one in force, of the first probe; None for thicknesses that the instrument sends."""
        return self._of[0].applied

    def fill(self, readings: NDArray[Any]) -> None:
        """Fill in thicknesses of readings (dtype `READING`) and flag those outside, in place."""
        if len(self._of) == 1:
            self._of[0].fill(readings)
            return
        for applied, numbers in self._same.items():
            of_it = numbers[readings["probe"]]
            if of_it.all():
                applied.fill(readings)
                return
            if of_it.any():
                part = readings[of_it]
                applied.fill(part)
                readings[of_it] = part

    def count(self, readings: NDArray[Any]) -> None:
        """Count valid readings on the plan, dtype `READING`."""
        if not readings.size:
            return
        numbers = [0]
        if len(self._of) > 1:
            numbers = distinct(np.ascontiguousarray(readings["probe"])).tolist()
        for number in numbers:
            if self._of[number].applied not in self.applied:
                self.applied.append(self._of[number].applied)
        outside = readings["flags"] & np.uint16(ReadingFlag.OUTSIDE_CALIBRATION)
        self.outside += int(np.count_nonzero(outside))
