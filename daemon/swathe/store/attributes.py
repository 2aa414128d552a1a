"""Attributes of a whole survey's arrays: what it is of, and by what its values were computed.

With them a reader computes each thickness again, without any code of ours::

    path = velocity_mm_per_us * temperature_factor * (time_of_flight - zero_offset_us) / 2
    thickness = sqrt(path**2 - (v_path_separation_mm / 2) ** 2)
"""

from __future__ import annotations

from typing import Any

from swathe.station import Station, law_of
from swathe.store.record import SurveyRecord

__all__ = ["run_attributes", "survey_attributes"]


def survey_attributes(station: Station) -> dict[str, Any]:
    """Return the attributes that follow from the station file, by the CF conventions.

    One that is None is not known, or does not apply: it is left out of the arrays.
    """
    survey, law, record = station.survey, law_of(station), station.record
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
        "velocity_mm_per_us": None if law is None else law.velocity,
        "zero_offset_us": None if law is None else law.zero_offset,
        "temperature_factor": None if law is None else law.temperature_factor,
        "v_path_separation_mm": None if law is None else law.separation,
        "calibration": _source(station),
        "calibration_record": None if record is None else record.id,
        "calibration_range_mm": None if record is None else list(record.range_mm),
    }


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
