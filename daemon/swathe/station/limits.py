"""Checks limits of thickness, and the gates and limits that single probes have of their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from swathe.display_units import DisplayUnits
from swathe.echo import check_gates
from swathe.errors import Problem
from swathe.station.model import SurveySettings
from swathe.station.probe_tables import ArrayProbeSettings
from swathe_drivers import Decoder

__all__ = ["check_limits", "check_probe_limits", "has_gates_of_its_own"]


def check_limits(parts: Mapping[str, Any]) -> list[Problem]:
    """Return what is wrong with the limits of thickness, of the survey and of single probes.

    Args:
        parts: validated tables of the station file by name.
    """
    survey: SurveySettings | None = parts.get("survey")
    if survey is None:
        return []
    units = DisplayUnits(parts.get("units", "mm"))
    problems = _check_limits("survey.thickness_limits", survey.thickness_limits, survey, units)
    for number, probe in enumerate(parts.get("probes", ())):
        key = f"probe[{number}].thickness_limits"
        problems += _check_limits(key, probe.thickness_limits, survey, units)
    return problems


def _check_limits(
    key: str, limits: tuple[float, float] | None, survey: SurveySettings, units: DisplayUnits
) -> list[Problem]:
    if limits is None:
        return []
    low, high = limits
    text = units.stated_thickness_text
    got = f"{text(low)} to {text(high)}"
    if not 0 <= low < high:
        return [Problem(key, "must rise from 0 or more", got, "thinnest first, then thickest")]
    problems: list[Problem] = []
    for name, wall in (
        ("nominal_thickness", survey.nominal_thickness),
        ("alert_below", survey.alert_below),
    ):
        if wall is not None and not low < wall < high:
            remedy = "a reading beyond the limits counts as no echo: leave them wide"
            requirement = f"must have survey.{name} between them ({text(wall)})"
            problems.append(Problem(key, requirement, got, remedy))
    return problems


def check_probe_limits(
    probes: Sequence[ArrayProbeSettings], parts: Mapping[str, Any], decoders: Mapping[str, Decoder]
) -> list[Problem]:
    """Return what is wrong with the gates of single probes, and with margins without a record.

    Args:
        probes: the entries of ``[[probe]]``.
        parts: validated tables of the station file by name.
        decoders: of all its devices.
    """
    problems: list[Problem] = []
    gauges = [name for name, decoder in decoders.items() if decoder.gives_readings]
    calibration = parts.get("calibration")
    has_record = calibration is not None and calibration.file is not None
    for number, probe in enumerate(probes):
        if probe.range_margin is not None and probe.calibration is None and not has_record:
            key, remedy = f"probe[{number}].range_margin", "name a record, or remove it"
            got = DisplayUnits(parts.get("units", "mm")).stated_text(probe.range_margin)
            problems.append(Problem(key, "needs a calibration record", got, remedy))
        device = probe.device or (gauges[0] if len(gauges) == 1 else "")
        if probe.echo is None or device not in decoders:
            continue
        form, key = decoders[device].waveform, f"probe[{number}].echo"
        if form is None:
            remedy = (
                "remove the gates: a device sends A-scans when its protocol has a waveform field"
            )
            problems.append(
                Problem(key, f"needs A-scans, and '{device}' sends none", "gates", remedy)
            )
            continue
        found = check_gates(
            probe.echo, interval_us=form.interval_us, start_us=form.start_us, samples=form.samples
        )
        problems += [replace(one, key=f"probe[{number}].{one.key}") for one in found]
    return problems


def has_gates_of_its_own(device: str, parts: Mapping[str, Any]) -> bool:
    """Return whether each probe of a device has gates of its own, so that it needs no [echo]."""
    probes: Sequence[ArrayProbeSettings] = parts.get("probes", ())
    of_device = [probe for probe in probes if probe.device in (None, device)]
    return bool(of_device) and all(probe.echo is not None for probe in of_device)
