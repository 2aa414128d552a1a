"""The calibration of a survey as text: what was applied, and what it does not cover."""

from __future__ import annotations

from swathe.display_units import DisplayUnits
from swathe.store import SurveyRecord
from swathe.store.calibration import CalibrationSummary

__all__ = ["calibration_lines"]


def calibration_lines(record: SurveyRecord) -> list[str]:
    """Return the lines of a report about the calibration, from the survey's record."""
    calibration = record.calibration
    if calibration is None:
        return ["thickness as the instrument sent it: its calibration is unknown"]
    source = "values of the station file, no record"
    if calibration.record is not None and calibration.time is not None:
        source = (
            f"record {calibration.record} of {calibration.time:%Y-%m-%d %H:%M} UTC "
            f"by {calibration.by}"
        )
    units = record.display
    values = _values(calibration.velocity_mm_per_us, calibration.zero_offset_us, units)
    return [
        f"calibration: {values} ({source})",
        *(
            f"probe {one.probe}: {_values(one.velocity_mm_per_us, one.zero_offset_us, units)} "
            f"({f'record {one.record}' if one.record else 'no record'})"
            for one in calibration.probes
        ),
        *(f"correction: {text}" for text in calibration.corrections),
        *(
            f"WARNING of the calibration: {text}"
            for text in (*calibration.warnings, *calibration.conditions)
        ),
        *_outside(calibration, record),
        *(
            f"WARNING: earlier runs of this survey were computed with "
            f"{_values(one.velocity_mm_per_us, one.zero_offset_us, units)} "
            f"({f'record {one.record}' if one.record else 'no record'}); "
            "`swathe rebuild --calibration` computes all of it with one"
            for one in calibration.earlier
        ),
    ]


def _values(velocity: float, zero: float, units: DisplayUnits) -> str:
    return f"velocity {units.velocity_text(velocity)}, zero offset {zero:.4f} µs"


def _outside(calibration: CalibrationSummary, record: SurveyRecord) -> list[str]:
    """Return what was measured outside the calibrated range."""
    if calibration.range_mm is None or not (
        calibration.outside_readings or calibration.outside_cells
    ):
        return []
    show = record.display.stated_thickness_text
    low, high = calibration.range_mm
    what = "spots" if record.spots else "cells"
    readings = f"{calibration.outside_readings:,} readings and " * bool(
        calibration.outside_readings
    )
    text = (
        f"WARNING: {readings}the values of {calibration.outside_cells:,} {what} are outside the "
        f"calibrated range, {show(low)} to {show(high)}"
    )
    return [
        f"{text}; the minimum thickness is one of them" if calibration.outside_minimum else text
    ]
