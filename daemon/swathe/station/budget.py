"""The uncertainty of a reading under a station's calibration."""

from __future__ import annotations

import math

from swathe.calibration import Combined, combine, reading_budget
from swathe.station.law import block_temperature, coefficient_of, law_of
from swathe.station.model import Station

__all__ = ["budget_of", "repeatability_of"]


def repeatability_of(station: Station) -> float | None:
    """Return the standard deviation of readings at one place, mm; None when it is not known.

    The station file's own takes precedence over the record's, which was taken on a smooth block.
    """
    if station.uncertainty.repeatability is not None:
        return station.uncertainty.repeatability
    return station.record.repeatability_mm if station.record is not None else None


def budget_of(station: Station, thickness: float) -> Combined | None:
    """Return the budget of a reading of `thickness`, mm.

    None where it is not known: without a calibration record the uncertainties of velocity and
    zero offset are not known, and none is guessed.
    """
    law, record, repeatability = law_of(station), station.record, repeatability_of(station)
    if law is None or record is None or repeatability is None:
        return None
    own = station.uncertainty.repeatability is not None
    corrections, block = station.corrections, block_temperature(station)
    corrected = (
        corrections.temperature and corrections.part_temperature is not None and block is not None
    )
    return combine(
        reading_budget(
            thickness,
            law=law,
            u_velocity=record.u_velocity,
            u_zero_offset=record.u_zero_offset,
            correlation=record.correlation,
            calibration_dof=math.inf if record.u_dof is None else record.u_dof,
            calibration_basis=record.basis,
            repeatability_mm=repeatability,
            repeatability_dof=math.inf if own else max(record.repeatability_dof, 1),
            resolution_mm=station.uncertainty.resolution,
            u_temperature_kelvin=station.uncertainty.temperature if corrected else 0.0,
            coefficient_per_kelvin=coefficient_of(corrections)[0] if corrected else 0.0,
        )
    )
