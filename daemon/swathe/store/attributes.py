"""Attributes of a whole survey's arrays: what it is of, and by what its values were computed.

With them a reader computes each thickness again, without any code of ours::

    path = velocity_mm_per_us * temperature_factor * (time_of_flight - zero_offset_us) / 2
    thickness = sqrt(path**2 - (v_path_separation_mm / 2) ** 2)

Where several probes have calibrations of their own, these are lists, one value for each probe of the
layer ``probe``.
"""

from __future__ import annotations

from typing import Any

from swathe.calibration import CalibrationRecord, ThicknessLaw
from swathe.station import Station, law_of, stations_of_probes
from swathe.store.record import SurveyRecord

__all__ = ["run_attributes", "survey_attributes"]


def survey_attributes(station: Station) -> dict[str, Any]:
    """Return the attributes that follow from the station file, by the CF conventions.

    One that is None is not known, or does not apply: it is left out of the arrays.
    """
    survey, probes = station.survey, _of_probes(station)
    comment = "Measured values only; no statement of fitness for service."
    if station.spots is not None:
        hits = "A hit is a coupling: the median reading while the probe was held on the spot."
        comment = f"{hits} {comment}"
    return {
        "Conventions": "CF-1.11",
        "title": survey.part or f"Ultrasonic thickness survey {station.name}",
        "source": f"{'spot' if station.spots else 'encoded'} ultrasonic thickness "
        f"{'readings' if station.spots else 'scan'}, recorded by swathe",
        "station": station.name,
        "operator": survey.operator,
        "cell_rule": str(survey.cell_rule),
        "comment": comment,
        "nominal_thickness_mm": survey.nominal_thickness,
        "coordinates": None if station.spots is None else "spot",
        "probes": [probe.name for probe in station.probes] or None,
        "probe_offsets_mm": [[probe.scan, probe.index] for probe in station.probes] or None,
        "velocity_mm_per_us": _each([law and law.velocity for law, _ in probes]),
        "zero_offset_us": _each([law and law.zero_offset for law, _ in probes]),
        "temperature_factor": _each([law and law.temperature_factor for law, _ in probes]),
        "v_path_separation_mm": _each([law and law.separation for law, _ in probes]),
        "calibration": _each([_source(one) for one in stations_of_probes(station)]),
        "calibration_record": _each([record and record.id for _, record in probes]),
        "calibration_range_mm": _each([record and list(record.range_mm) for _, record in probes]),
    }


def _of_probes(station: Station) -> list[tuple[ThicknessLaw | None, CalibrationRecord | None]]:
    """Return law and calibration record of each probe."""
    return [(law_of(one), one.record) for one in stations_of_probes(station)]


def _each(values: list[Any]) -> Any:  # noqa: ANN401  JSON
    """Return what holds for all probes; a list in their order where it differs."""
    return values[0] if all(value == values[0] for value in values) else values


def _source(station: Station) -> str:
    """Return where velocity and zero offset are from."""
    record = station.record
    if law_of(station) is None:
        return "by the instrument itself; not known here"
    if record is None:
        return "velocity and zero offset of the station file, no record"
    return f"record {record.id} of {record.time.isoformat()} by {record.by}"


def run_attributes(record: SurveyRecord) -> dict[str, Any]:
    """Return the attributes that the runs determine: delays in force, how far a place may be off.

    ``delay_ms_NAME`` is what was subtracted from the times of that device, ms.
    """
    place = record.place
    return {
        "place_expanded_uncertainty_mm": None if place is None else place.expanded_mm,
        "place_coverage": None if place is None else place.coverage,
        "place_uncertainty_without": None if place is None else list(place.not_stated),
        **{f"delay_ms_{device}": delay for device, delay in sorted(record.delays_ms.items())},
    }
