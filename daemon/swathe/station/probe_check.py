"""Reading and checking the entries of ``[[probe]]``."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from swathe.calibration import CalibrationRecord, parse_calibration_record, read_calibration_record
from swathe.display_units import DisplayUnits
from swathe.errors import CalibrationError, Problem
from swathe.station.limits import check_probe_limits
from swathe.station.model import AUTO, AxisMode, AxisSettings, DeviceSettings
from swathe.station.probe_tables import (
    MOST_PROBES,
    ArrayProbeSettings,
    CarriageExtent,
    CarriageSettings,
    HeadingSettings,
)
from swathe.station.problems import as_written, problems_of
from swathe_drivers import Decoder, inputs_of, settings_error

__all__ = ["check_probes", "put_probes_in", "read_probe_records"]

_ENTRIES: Final = TypeAdapter(tuple[ArrayProbeSettings, ...])


def put_probes_in(
    tables: dict[str, Any],
) -> tuple[dict[str, Any], dict[str, Any], list[Problem]]:
    """Take the entries of ``[[probe]]`` out of the tables of a station file.

    Returns:
        The tables without them; the field `probes` of the station; what is wrong with the entries by
        themselves. A station file without ``[[probe]]`` is left as it is.
    """
    entries = tables.get("probe")
    if not isinstance(entries, list):
        return tables, {}, []
    rest = {name: table for name, table in tables.items() if name != "probe"}
    carriage = tables.get("carriage")
    each = carriage.get("each", {}) if isinstance(carriage, dict) else {}
    each = each if isinstance(each, dict) else {}
    whole = [each | entry if isinstance(entry, dict) else entry for entry in entries]
    try:
        probes = _ENTRIES.validate_python(whole)
    except ValidationError as error:
        found = settings_error(error, whole, key="probe")
        problems = problems_of(found, tuple[ArrayProbeSettings, ...])
        problems = as_written(problems, {"probe": whole})
        placed = [_where_written(one, entries, each) for one in problems]
        return rest, {}, [one for k, one in enumerate(placed) if one not in placed[:k]]
    return rest, {"probes": probes}, []


def _where_written(problem: Problem, entries: list[Any], each: dict[str, Any]) -> Problem:
    """Return a problem of an entry with the key of ``carriage.each``, if its value is from there."""
    match = re.fullmatch(r"probe\[(\d+)\]\.([^.\[]+)(.*)", problem.key)
    if match is None or match[2] not in each:
        return problem
    entry = entries[int(match[1])]
    if isinstance(entry, dict) and match[2] in entry:
        return problem
    return replace(problem, key=f"carriage.each.{match[2]}{match[3]}")


def read_probe_records(
    parts: dict[str, Any], records: Mapping[str, Any] | None, folder: Path | None
) -> list[Problem]:
    """Put the calibration records that the probes name into `parts`; return what is wrong.

    Args:
        parts: validated tables of the station file by name.
        records: the records by name, as a journal holds them; read from the files without.
        folder: where the files are looked for.
    """
    found: dict[str, CalibrationRecord] = {}
    problems: list[Problem] = []
    for number, probe in enumerate(parts.get("probes", ())):
        name = probe.calibration
        if name is None or name in found:
            continue
        try:
            if records is None:
                found[name] = read_calibration_record((folder or Path()) / name)
            else:
                place = Path("calibration record in the journal")
                found[name] = parse_calibration_record(json.dumps(records.get(name)), place)
        except CalibrationError as error:
            remedy = f"write one with `swathe calibrate thickness --probe {probe.name}`"
            requirement = f"must name a calibration record: {error}"
            problems.append(Problem(f"probe[{number}].calibration", requirement, name, remedy))
    parts["probe_records"] = found
    return problems


def check_probes(
    parts: dict[str, Any], decoders: Mapping[str, Decoder], *, faulty: bool = False
) -> list[Problem]:
    """Return what is wrong between ``[[probe]]``, ``[carriage]`` and the other tables.

    Args:
        parts: validated tables of the station file by name.
        decoders: of all its devices.
        faulty: whether the file has entries that are invalid themselves.
    """
    probes: tuple[ArrayProbeSettings, ...] = parts.get("probes", ())
    carriage: CarriageSettings | None = parts.get("carriage")
    problems: list[Problem] = []
    if carriage is not None and carriage.heading is not None:
        problems += _check_heading(carriage.heading, parts, decoders)
    if carriage is not None:
        problems += _check_extents(carriage, parts)
    if carriage is not None and not (probes or faulty):
        remedy = "add [[probe]] entries, or remove [carriage]"
        problems.append(Problem("carriage", "needs the probes that it carries", "none", remedy))
    if not probes:
        return problems if faulty else problems + _check_single(decoders)
    if len(probes) > MOST_PROBES:
        problems.append(Problem("probe", f"must be at most {MOST_PROBES} entries", len(probes)))
    if "spots" in parts:
        remedy = "remove [[probe]]: spots are read by hand with one probe"
        problems.append(
            Problem("probe", "must be one table [probe] with [spots]", "[[probe]]", remedy)
        )
    problems += _check_names(probes)
    problems += _check_unfit(probes, parts, decoders)
    problems += _check_sources(probes, decoders)
    problems += _check_offsets(probes, parts)
    return problems + check_probe_limits(probes, parts, decoders)


def _check_extents(carriage: CarriageSettings, parts: dict[str, Any]) -> list[Problem]:
    problems: list[Problem] = []
    units = DisplayUnits(parts.get("units", "mm"))
    for name in ("body", "within"):
        extent: CarriageExtent | None = getattr(carriage, name)
        if extent is None:
            continue
        if parts.get("motion") is None:
            remedy = "remove it: only a machine that moves the carriage keeps to it"
            problems.append(Problem(f"carriage.{name}", "needs [motion]", "none", remedy))
        for axis in ("scan", "index"):
            ends: tuple[float, float] | None = getattr(extent, axis)
            if ends is not None and axis == "index" and parts.get("index") is None:
                remedy = "remove it: a line profile has one line"
                problems.append(Problem(f"carriage.{name}.index", "needs [index]", "none", remedy))
            if ends is not None and not ends[0] < ends[1]:
                got = f"{units.stated_number(ends[0])} to {units.stated_text(ends[1])}"
                requirement = "must run from lower to higher"
                problems.append(Problem(f"carriage.{name}.{axis}", requirement, got))
    return problems


def _check_single(decoders: Mapping[str, Decoder]) -> list[Problem]:
    """Return which device has several inputs, where the station has one probe."""
    problems: list[Problem] = []
    for name, decoder in decoders.items():
        inputs = inputs_of(decoder)
        if decoder.gives_readings and (inputs is None or len(inputs) != 1):
            sends = "any number" if inputs is None else ", ".join(str(one) for one in inputs)
            requirement = f"must say which input each probe is on: '{name}' sends {sends}"
            remedy = (
                "add a [[probe]] with name, input and offset for each, or for the only one used"
            )
            problems.append(Problem("probe", requirement, "none", remedy))
    return problems


def _check_unfit(
    probes: tuple[ArrayProbeSettings, ...],
    parts: dict[str, Any],
    decoders: Mapping[str, Decoder],
) -> list[Problem]:
    """Return what goes with one probe only."""
    devices: dict[str, DeviceSettings] = parts.get("device", {})
    index: AxisSettings | None = parts.get("index")
    problems: list[Problem] = []
    stepped = index is not None and index.mode is AxisMode.STEPPED
    if stepped and "motion" not in parts and len(probes) > 1:
        remedy = "give the index axis an encoder, or let a crawler step it"
        requirement = "must not be stepped by hand with several probes"
        problems.append(Problem("index.mode", requirement, "stepped", remedy))
    gauges = [name for name, decoder in decoders.items() if decoder.gives_readings]
    for name in gauges:
        device = devices.get(name)
        if device is not None and device.delay == AUTO and len(gauges) > 1:
            remedy = "measure it with `swathe calibrate delay` and give it"
            requirement = "must be given where several devices give readings"
            problems.append(Problem(f"device.{name}.delay", requirement, AUTO, remedy))
        inputs = inputs_of(decoders[name])
        if decoders[name].held_after and (inputs is None or len(inputs) > 1):
            remedy = "remove it: a value that a device repeats is another probe's next time"
            key = f"device.{name}.protocol.held_after"
            requirement = "must be left out of a device with several inputs"
            problems.append(Problem(key, requirement, "given", remedy))
    return problems


def _check_names(probes: tuple[ArrayProbeSettings, ...]) -> list[Problem]:
    first: dict[str, int] = {}
    problems: list[Problem] = []
    for number, probe in enumerate(probes):
        earlier = first.setdefault(probe.name.casefold(), number)
        if earlier != number:
            remedy = f"probe[{earlier}] has it, too"
            key = f"probe[{number}].name"
            problems.append(Problem(key, "must be a name of its own", probe.name, remedy))
    return problems


def _check_sources(
    probes: tuple[ArrayProbeSettings, ...], decoders: Mapping[str, Decoder]
) -> list[Problem]:
    """Return what is wrong with devices and inputs: each gives one probe's readings."""
    gauges = [name for name, decoder in decoders.items() if decoder.gives_readings]
    known = ", ".join(gauges) or "none"
    problems: list[Problem] = []
    taken: dict[tuple[str, int | None], str] = {}
    named: dict[str, int] = dict.fromkeys(gauges, 0)
    for number, probe in enumerate(probes):
        key = f"probe[{number}]"
        if probe.device is None and len(gauges) != 1:
            remedy = f"devices that give readings: {known}"
            problems.append(Problem(f"{key}.device", "is required", None, remedy))
            continue
        device = probe.device or gauges[0]
        if device not in gauges:
            requirement = f"must be one of the devices that give readings: {known}"
            problems.append(Problem(f"{key}.device", requirement, device))
            continue
        named[device] += 1
        inputs = inputs_of(decoders[device])
        if probe.input is not None and inputs is not None and probe.input not in inputs:
            sends = ", ".join(str(one) for one in inputs)
            requirement = f"must be an input of '{device}', which sends {sends}"
            problems.append(Problem(f"{key}.input", requirement, probe.input))
        source = device, probe.input
        if source in taken:
            got = "none" if probe.input is None else str(probe.input)
            remedy = f"probe {taken[source]} has this one: give each its number in the records"
            requirement = f"must be an input of '{device}' of its own"
            problems.append(Problem(f"{key}.input", requirement, got, remedy))
        taken.setdefault(source, probe.name)
    for device, count in named.items():
        if count > 1 and (device, None) in taken:
            name = taken[device, None]
            number = next(k for k, probe in enumerate(probes) if probe.name == name)
            requirement = f"is required: '{device}' has {count} probes"
            remedy = "the number that its records have for this probe"
            problems.append(Problem(f"probe[{number}].input", requirement, None, remedy))
        if not count and len(gauges) > 1:
            remedy = f'add device = "{device}" to the entry of its probe, or remove the device'
            requirement = "must be named by a [[probe]]: it gives readings"
            problems.append(Problem(f"device.{device}", requirement, "no probe", remedy))
    return problems


def _check_offsets(probes: tuple[ArrayProbeSettings, ...], parts: dict[str, Any]) -> list[Problem]:
    indexed = parts.get("index") is not None
    units = DisplayUnits(parts.get("units", "mm"))
    problems: list[Problem] = []
    places: dict[tuple[float, float], str] = {}
    for number, probe in enumerate(probes):
        if probe.index and not indexed:
            remedy = "add [index], or remove the offset: a line profile has one line"
            key = f"probe[{number}].index"
            problems.append(
                Problem(key, "needs an index axis", units.stated_text(probe.index), remedy)
            )
        earlier = places.setdefault((probe.scan, probe.index), probe.name)
        if earlier != probe.name:
            requirement = f"must not be where probe {earlier} is"
            got = f"scan {units.stated_text(probe.scan)}, index {units.stated_text(probe.index)}"
            remedy = "measure the offsets of both from the datum"
            problems.append(Problem(f"probe[{number}]", requirement, got, remedy))
    return problems


def _check_heading(
    heading: HeadingSettings, parts: dict[str, Any], decoders: Mapping[str, Decoder]
) -> list[Problem]:
    devices: dict[str, DeviceSettings] = parts.get("device", {})
    index: AxisSettings | None = parts.get("index")
    problems: list[Problem] = []
    if index is None or index.mode is AxisMode.STEPPED:
        remedy = "a carriage that turns needs an encoded index axis"
        problems.append(Problem("carriage.heading", "needs an encoded index axis", "none", remedy))
    if heading.device in decoders and decoders[heading.device].combined:
        remedy = "let another device send the heading"
        requirement = "must not send readings with its positions"
        problems.append(Problem("carriage.heading.device", requirement, heading.device, remedy))
    if heading.device not in devices:
        known = ", ".join(sorted(devices)) or "none"
        requirement = f"must be one of the devices {known}"
        problems.append(Problem("carriage.heading.device", requirement, heading.device))
    elif heading.device in decoders and heading.counts not in decoders[heading.device].axes:
        gives = ", ".join(decoders[heading.device].axes) or "no counts"
        remedy = f"'{heading.device}' gives {gives}"
        requirement = "must be a counts column of the device"
        problems.append(Problem("carriage.heading.counts", requirement, heading.counts, remedy))
    return problems
