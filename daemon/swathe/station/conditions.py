"""Whether the calibration record that a station names belongs to how the station measures."""

from __future__ import annotations

import math
from typing import Literal

from swathe.calibration import (
    CalibrationRecord,
    ConditionsRecord,
    Difference,
    GaugeRecord,
    InstrumentRecord,
    ProbeKind,
    ProbeRecord,
    StationConditions,
    Weight,
    differences,
    temperature_outside,
)
from swathe.errors import CalibrationError, Problem
from swathe.station.devices import decoder_of, gauge_of
from swathe.station.model import Station

__all__ = [
    "calibrated_range",
    "check_conditions",
    "condition_warnings",
    "conditions_of",
    "probe_of",
    "require_calibration",
    "station_conditions",
]

_CURE = (
    "set it as the calibration was made, name the record that belongs to it, or calibrate again "
    "with this file (swathe calibrate thickness)"
)
# A wall as thick as the outermost step is within the range, whatever the noise of its readings.
_DEVIATIONS = 3.0


def conditions_of(station: Station) -> ConditionsRecord:
    """Return how a station measures, as a calibration record keeps it."""
    name = gauge_of(station)
    device = station.device[name]
    decoder = decoder_of(device)
    form = decoder.waveform
    sends: Literal["A-scans", "time of flight", "thickness"] = "thickness"
    if form is not None:
        sends = "A-scans"
    elif "time_of_flight" in decoder.gives:
        sends = "time of flight"
    return ConditionsRecord(
        gauge=GaugeRecord(
            sends=sends,
            driver=device.driver,
            protocol=device.protocol,
            sample_interval_us=None if form is None else form.interval_us,
            first_sample_us=None if form is None else form.start_us,
        ),
        echo=None if station.echo is None else station.echo.model_dump(mode="json"),
        instrument_settings=station.instrument.settings,
        cable=station.probe.cable if station.probe is not None else "",
    )


def probe_of(station: Station) -> ProbeRecord | None:
    """Return the probe of a station file as a calibration record keeps it; None without one."""
    probe = station.probe
    if probe is None:
        return None
    return ProbeRecord(
        name=probe.name,
        serial=probe.serial,
        kind=ProbeKind(probe.kind),
        diameter_mm=probe.diameter,
        frequency_MHz=probe.frequency,
        separation_mm=probe.separation,
    )


def station_conditions(station: Station) -> StationConditions:
    """Return all that a calibration record is compared with."""
    calibration = station.calibration
    return StationConditions(
        conditions=conditions_of(station),
        device=gauge_of(station),
        instrument=InstrumentRecord(name=station.instrument.name, serial=station.instrument.serial),
        probe=probe_of(station),
        couplant=calibration.couplant if calibration is not None else "",
        operator=station.survey.operator,
        procedure=calibration.procedure if calibration is not None else "",
    )


def _differences(station: Station) -> list[Difference]:
    if station.record is None:
        return []
    return differences(station.record, station_conditions(station), display=station.display)


def check_conditions(station: Station) -> list[Problem]:
    """Return in what a station measures otherwise than its calibration record requires."""
    record = station.record
    return [
        Problem(
            found.key,
            f"must be as in calibration record {record.id if record else ''}, {found.recorded}: "
            f"{found.why}",
            found.stated.strip("'"),
            _CURE,
        )
        for found in _differences(station)
        if found.weight is Weight.REFUSED
    ]


def require_calibration(station: Station) -> None:
    """Refuse a station whose calibration record belongs to another way of measuring.

    Raises:
        CalibrationError: the text names every difference, and the remedy.
    """
    if problems := check_conditions(station):
        found = "; ".join(
            f"'{problem.key}' {problem.requirement} (the survey has {problem.got})"
            for problem in problems
        )
        msg = (
            f"the calibration does not belong to how the survey was measured: {found}. Take a "
            "record that was made with the settings of the survey (--calibration)"
        )
        raise CalibrationError(msg)


def condition_warnings(station: Station) -> list[str]:
    """Return what the calibration record does not cover, or what is unknown of it, as texts."""
    record = station.record
    if record is None:
        return []
    found = _differences(station)
    texts = [str(one) for one in found if one.weight is Weight.WARNED]
    texts += _unknown(record, [one.key for one in found if one.weight is Weight.UNKNOWN])
    texts += _outside_range(station, record)
    if (
        temperature := temperature_outside(record, station.corrections.part_temperature)
    ) is not None:
        texts.append(temperature)
    return texts


def _unknown(record: CalibrationRecord, keys: list[str]) -> list[str]:
    """Return of what it is not known whether record and station agree."""
    texts = []
    if record.conditions is None:
        texts.append(
            "how it was measured is not known, since its record does not have it: whether echo mode "
            "and gates are the same cannot be checked; calibrate again to have it"
        )
        keys = [key for key in keys if key != "echo"]
    if keys:
        texts.append(f"not compared, since one side does not state it: {', '.join(keys)}")
    return texts


def calibrated_range(station: Station) -> tuple[float, float] | None:
    """Return between which thicknesses a reading is within the calibration, mm.

    From the thinnest to the thickest step, with a margin to either side: that of the station file,
    or three standard deviations of a reading on the block and of a step, so that a wall as thick as
    a step is within it. None where it is not known: without a record, or where the instrument
    computes the thickness itself.
    """
    record, calibration = station.record, station.calibration
    if record is None or calibration is None:
        return None
    if "thickness" in decoder_of(station.device[gauge_of(station)]).gives:
        return None
    margin = calibration.range_margin
    if margin is None:
        spread = math.hypot(record.repeatability_mm or 0.0, record.block.u_thickness_mm)
        margin = _DEVIATIONS * spread
    low, high = record.range_mm
    return low - margin, high + margin


def _outside_range(station: Station, record: CalibrationRecord) -> list[str]:
    """Return which thicknesses of the plan are outside the calibrated range."""
    bounds = calibrated_range(station)
    if bounds is None:
        return []
    show = station.display.stated_thickness_text
    low, high = record.range_mm
    steps = f"calibrated from {show(low)} to {show(high)}"
    if low == high:
        steps = f"calibrated on one step of {show(low)}, which no other wall is compared with"
    survey = station.survey
    return [
        f"{name}, {show(wall)}, is outside the calibration, {steps}: readings there are flagged"
        for name, wall in (
            ("nominal thickness", survey.nominal_thickness),
            ("alert level", survey.alert_below),
        )
        if wall is not None and not bounds[0] <= wall <= bounds[1]
    ]
