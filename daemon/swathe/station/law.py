"""From a station's calibration, probe and corrections to the thickness law."""

from __future__ import annotations

from swathe.calibration import (
    CalibrationError,
    CalibrationRecord,
    ThicknessLaw,
    temperature_coefficient,
    temperature_factor,
)
from swathe.errors import Problem, StationError
from swathe.station.model import Station
from swathe.station.quality import CalibrationSettings, CorrectionSettings

__all__ = [
    "block_temperature",
    "check_law",
    "coefficient_of",
    "coefficient_uncertainty",
    "law_of",
    "with_record",
]


def law_of(station: Station) -> ThicknessLaw | None:
    """Return the law in force; None for an instrument that sends thickness without a calibration.

    Raises:
        CalibrationError: the corrections cannot be applied; `check_law` reports the key.
    """
    calibration, record = station.calibration, station.record
    if calibration is None:
        return None
    if record is not None:
        velocity, zero = record.velocity_mm_per_us, record.zero_offset_us
    elif calibration.velocity is not None:
        velocity, zero = calibration.velocity, calibration.zero_offset
    else:
        msg = f"the calibration record {calibration.file} was not read"
        raise CalibrationError(msg)
    words: list[str] = []
    return ThicknessLaw(
        velocity=velocity,
        zero_offset=zero,
        separation=_separation(station, words),
        temperature_factor=_temperature(station, words),
        corrections=tuple(words),
    )


def with_record(station: Station, record: CalibrationRecord, name: str) -> Station:
    """Return a station with another calibration record in force.

    Args:
        station: as it was.
        record: the record.
        name: of its file.

    Raises:
        StationError: the corrections that the station asks for cannot be applied with it.
    """
    own = [probe.name for probe in station.probes if probe.calibration is not None]
    if own:
        requirement = f"cannot stand for the records of the probes {', '.join(own)}"
        remedy = "name the new record at `calibration` of its [[probe]]"
        raise StationError(name, [Problem("calibration.file", requirement, name, remedy)])
    settings = (station.calibration or CalibrationSettings()).model_copy(
        update={"file": name, "velocity": None, "zero_offset": 0.0, "block_temperature": None}
    )
    changed = station.model_copy(update={"calibration": settings, "record": record})
    if problems := check_law(changed):
        raise StationError(name, problems)
    return changed


def _separation(station: Station, words: list[str]) -> float:
    separation = station.probe.separation if station.probe is not None else 0.0
    if station.record is not None:
        separation = station.record.probe.separation_mm
    if not separation:
        return 0.0
    if not station.corrections.v_path:
        words.append("V-path of the dual probe not corrected: switched off")
        return 0.0
    words.append(
        f"V-path of the dual probe, elements {station.display.stated_text(separation)} apart"
    )
    return separation


def block_temperature(station: Station) -> float | None:
    """Return the block's temperature at the calibration, degC; None when it was not recorded."""
    if station.record is not None:
        return station.record.block.temperature_degC
    return station.calibration.block_temperature if station.calibration is not None else None


def coefficient_of(corrections: CorrectionSettings) -> tuple[float, str]:
    """Return the temperature coefficient in force, per K, and where it is from.

    Raises:
        CalibrationError: none is given, or no such one is known.
    """
    given = corrections.temperature_coefficient
    if given is None:
        msg = "must be given with part_temperature: the procedure names it; nothing is guessed"
        raise CalibrationError(msg)
    if isinstance(given, str):
        known = temperature_coefficient(given)
        return known.per_kelvin, f"{known.name}, {known.known}"
    return given, "of the station file"


def coefficient_uncertainty(corrections: CorrectionSettings) -> float | None:
    """Return the standard uncertainty of the coefficient in force, per K; None where it is not known.

    Raises:
        CalibrationError: no such coefficient is known.
    """
    if corrections.temperature_coefficient_uncertainty is not None:
        return corrections.temperature_coefficient_uncertainty
    given = corrections.temperature_coefficient
    return temperature_coefficient(given).u_per_kelvin if isinstance(given, str) else None


def _temperature(station: Station, words: list[str]) -> float:
    corrections = station.corrections
    part = corrections.part_temperature
    if part is None:
        return 1.0
    if not corrections.temperature:
        words.append("temperature not corrected: switched off")
        return 1.0
    block = block_temperature(station)
    if block is None:
        msg = "needs the block's temperature, which the calibration does not have"
        raise CalibrationError(msg)
    coefficient, source = coefficient_of(corrections)
    factor = temperature_factor(coefficient, part, block)
    words.append(
        f"temperature: part {part:g} °C, block {block:g} °C, velocity falls by "
        f"{coefficient:.3g} per K ({source})"
    )
    return factor


def check_law(station: Station) -> list[Problem]:
    """Return what keeps the corrections from being applied."""
    corrections, part = station.corrections, station.corrections.part_temperature
    if station.calibration is None:
        return []
    if part is None:
        return _check_uncorrected(station)
    if not corrections.temperature:
        return []
    problems: list[Problem] = []
    block = block_temperature(station)
    if block is None:
        requirement = "needs the block's temperature, which the calibration does not have"
        remedy = "add calibration.block_temperature, calibrate again with it, or leave this out"
        problems.append(
            Problem("corrections.part_temperature", requirement, f"{part:g} °C", remedy)
        )
    try:
        coefficient, _ = coefficient_of(corrections)
    except CalibrationError as error:
        given = corrections.temperature_coefficient
        problems.append(Problem("corrections.temperature_coefficient", str(error), given))
        return problems
    if block is not None:
        try:
            temperature_factor(coefficient, part, block)
        except CalibrationError as error:
            problems.append(Problem("corrections.part_temperature", str(error), f"{part:g} °C"))
    return problems


def _check_uncorrected(station: Station) -> list[Problem]:
    """Return what keeps an uncertain temperature from the budget: without the coefficient it is lost."""
    corrections, stated = station.corrections, station.uncertainty.temperature
    if not stated:
        return []
    if corrections.temperature_coefficient is None:
        requirement = (
            "needs corrections.temperature_coefficient to become an uncertainty of thickness"
        )
        remedy = "add the coefficient that the procedure names, or leave this out"
        return [Problem("uncertainty.temperature", requirement, f"{stated:g} K", remedy)]
    try:
        coefficient_of(corrections)
    except CalibrationError as error:
        given = corrections.temperature_coefficient
        return [Problem("corrections.temperature_coefficient", str(error), given)]
    return []
