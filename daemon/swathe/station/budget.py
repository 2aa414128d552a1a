"""The uncertainty of a reading under a station's calibration."""

from __future__ import annotations

import math
from dataclasses import dataclass

from swathe.calibration import (
    NOT_COVERED,
    CalibrationRecord,
    Combined,
    CouplingBasis,
    ThicknessLaw,
    combine,
    reading_budget,
)
from swathe.station.law import block_temperature, coefficient_of, coefficient_uncertainty, law_of
from swathe.station.model import Station

__all__ = ["budget_of", "repeatability_of"]


def repeatability_of(station: Station) -> float | None:
    """Return the standard deviation of readings at one place, mm; None when it is not known.

    The station file's own takes precedence over the record's, which was taken on a smooth block.
    """
    if station.uncertainty.repeatability is not None:
        return station.uncertainty.repeatability
    return station.record.repeatability_mm if station.record is not None else None


@dataclass(slots=True)
class _Temperature:
    """What the temperatures do to a reading.

    Attributes:
        u_kelvin: standard uncertainty of the difference of part and block.
        coefficient: share of the velocity lost per kelvin.
        u_coefficient: its standard uncertainty.
        corrected: difference that is corrected, K.
        uncorrected: difference that is known and not corrected, K.
        missing: what is needed and not stated, in words.
    """

    u_kelvin: float = 0.0
    coefficient: float = 0.0
    u_coefficient: float = 0.0
    corrected: float = 0.0
    uncorrected: float = 0.0
    missing: tuple[str, ...] = ()


def budget_of(station: Station, thickness: float) -> Combined | None:
    """Return the budget of a reading of `thickness`, mm.

    None where it is not known: without a calibration record the uncertainties of velocity and
    zero offset are not known, and none is guessed. No level of confidence is claimed where couplant
    and probe handling, or a temperature that matters, are neither measured nor stated.
    """
    law, record, repeatability = law_of(station), station.record, repeatability_of(station)
    if law is None or record is None or repeatability is None:
        return None
    own = station.uncertainty.repeatability is not None
    coupling, coupling_dof, words = _coupling(station, record)
    heat = _temperature(station)
    covered = record.coupling_basis is not CouplingBasis.NOT_COVERED
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
            coupling_us=coupling,
            coupling_dof=coupling_dof,
            coupling_basis=words,
            resolution_mm=_resolution(station, law),
            u_temperature_kelvin=heat.u_kelvin,
            coefficient_per_kelvin=heat.coefficient,
            u_coefficient_per_kelvin=heat.u_coefficient,
            temperature_difference_kelvin=heat.corrected,
            uncorrected_kelvin=heat.uncorrected,
        ),
        not_covered=(() if covered else (NOT_COVERED,)) + heat.missing,
    )


def _coupling(station: Station, record: CalibrationRecord) -> tuple[float, float, str]:
    """Return the standard deviation by coupling again, µs, its degrees of freedom and its basis."""
    stated = station.uncertainty.coupling
    if stated is not None:
        return stated, math.inf, "standard deviation between couplings, stated in the station file"
    if record.coupling_us is None:
        return 0.0, math.inf, "not known"
    dof = math.inf if record.coupling_dof is None else record.coupling_dof
    return record.coupling_us, dof, f"standard deviation between couplings, {record.coupling_basis}"


def _resolution(station: Station, law: ThicknessLaw) -> float:
    """Return the width of the last digit, mm."""
    if station.uncertainty.resolution is not None:
        return station.uncertainty.resolution
    return station.instrument.time_resolution * law.velocity * law.temperature_factor / 2


def _temperature(station: Station) -> _Temperature:
    corrections, stated = station.corrections, station.uncertainty
    part, block = corrections.part_temperature, block_temperature(station)
    if corrections.temperature_coefficient is None:
        if part is None or part == block:
            return _Temperature()
        words = (
            f"the part's temperature of {part:g} °C is neither corrected nor covered: name "
            "corrections.temperature_coefficient in the station file; no level of confidence is stated"
        )
        return _Temperature(missing=(words,))
    u_coefficient = coefficient_uncertainty(corrections)
    found = _Temperature(
        u_kelvin=math.hypot(stated.temperature or 0.0, stated.block_temperature),
        coefficient=coefficient_of(corrections)[0],
        u_coefficient=u_coefficient or 0.0,
    )
    if part is None:
        # The part is taken to have the block's temperature, give or take: a correction of zero that
        # is uncertain (JCGM 100 3.2.4, 4.3.7).
        return found
    missing = []
    if block is None:
        missing.append("the block's temperature was not recorded")
    elif corrections.temperature:
        found.corrected = part - block
    else:
        found.uncorrected = part - block
    if stated.temperature is None:
        missing.append("uncertainty.temperature is not stated")
    if u_coefficient is None:
        missing.append("corrections.temperature_coefficient_uncertainty is not stated")
    ending = "of the temperature's effect: no level of confidence is stated"
    found.missing = tuple(f"{words}, which is a part {ending}" for words in missing)
    return found
