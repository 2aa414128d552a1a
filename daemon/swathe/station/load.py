"""Reading a station file: every problem is found before anything is opened."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from swathe.calibration import (
    MATERIALS,
    material_named,
    parse_calibration_record,
    read_calibration_record,
)
from swathe.errors import CalibrationError, Problem, StationError
from swathe.station.areas import Chosen, resolve_tables
from swathe.station.broker import BrokerSettings, check_broker, in_folder
from swathe.station.check import cross_check
from swathe.station.conditions import check_conditions
from swathe.station.descriptions import put_descriptions_in
from swathe.station.law import check_law
from swathe.station.model import DeviceSettings, Station
from swathe.station.probe import check_probe
from swathe.station.probe_check import put_probes_in, read_probe_records
from swathe.station.probes import station_of_probe
from swathe.station.problems import as_written, problems_of, unknown_key
from swathe.station.quality import BlockSettings, CalibrationSettings
from swathe.station.spots import put_spots_in
from swathe_drivers import (
    DriverError,
    SettingsError,
    check_driver,
    load_driver,
    settings_error,
    toml_excerpt,
)

__all__ = [
    "areas_in",
    "parse_station",
    "read_devices",
    "read_station",
    "station_in_journal",
    "survey_folder",
    "texts_for_journal",
]


def read_station(
    path: Path, *, area: str = "", operator: str = "", calibrated: bool = True
) -> tuple[Station, str]:
    """Return the station that the file at `path` describes, and the file's text.

    Args:
        path: of the file.
        area: which of its areas is scanned; empty where it has none.
        operator: who scans, instead of the one that the file names.
        calibrated: whether a calibration record that was measured otherwise than this station
            measures is refused.

    Raises:
        StationError: the file is missing, no TOML, or invalid; carries every problem at once. Correct
            the keys it names and try again.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        problem = Problem("station file", "must exist", str(path), "check the path")
        raise StationError(path, [problem]) from None
    except (OSError, UnicodeDecodeError) as error:
        problem = Problem("station file", "must be a readable UTF-8 text", str(error))
        raise StationError(path, [problem]) from error
    chosen = Chosen(area=area, operator=operator)
    station = parse_station(text, path, chosen=chosen, folder=path.resolve().parent)
    if calibrated and (problems := check_conditions(station)):
        raise StationError(path, problems)
    return station, text


def read_devices(path: Path) -> Station:
    """Return the station that a file describes where neither area nor calibration matters.

    The record that it names may be of other settings: that is what a new one is made for.

    Raises:
        StationError: as `read_station`.
    """
    area = next(iter(areas_in(path)), "")
    return read_station(path, area=area, calibrated=False)[0]


def areas_in(path: Path) -> list[str]:
    """Return the names of the areas of a station file; none where it has none or is no TOML."""
    try:
        areas = tomllib.loads(path.read_text(encoding="utf-8")).get("area")
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        return []  # `read_station` reports what is wrong
    return list(areas) if isinstance(areas, dict) else []


def parse_station(
    text: str,
    path: Path | str,
    *,
    record: dict[str, Any] | None = None,
    descriptions: Mapping[str, str] | None = None,
    spots: str | None = None,
    probe_records: Mapping[str, Any] | None = None,
    chosen: Chosen | None = None,
    folder: Path | None = None,
) -> Station:
    """Return the station that `text` describes.

    Args:
        text: the file's text.
        path: names the file in errors.
        record: the calibration record that it names, as a journal holds it.
        descriptions: texts of the protocol descriptions that its devices name, likewise.
        spots: text of the file of spots that it names, likewise.
        probe_records: the calibration records that its probes name, likewise.
        chosen: area and operator; text of the file that it includes, likewise.
        folder: where record and descriptions are looked for instead.

    Raises:
        StationError: as `read_station`.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        shown = toml_excerpt(text, error)
        problem = Problem("station file", "must be TOML", str(error), excerpt=shown)
        raise StationError(path, [problem]) from error
    resolved = resolve_tables(tables, chosen or Chosen(), folder=folder)
    if resolved.problems:
        raise StationError(path, resolved.problems)
    tables, texts, misdescribed = put_descriptions_in(resolved.tables, descriptions, folder)
    tables, spotted, misplaced = put_spots_in(tables, spots, folder)
    tables, probes, misprobed = put_probes_in(tables)
    parts, problems = _validate_tables(tables)
    parts |= spotted | probes
    problems += misplaced + misprobed
    if misdescribed:
        # What the devices are is not known; no missing key is reported that the description has.
        parts.pop("device", None)
        problems += misdescribed
    parts["descriptions"] = texts
    problems += _check_drivers(parts.get("device", {}))
    problems += _add_record(parts, record, folder)
    problems += read_probe_records(parts, probe_records, folder)
    problems += _check_block(parts)
    problems += _settle_broker(parts, folder)
    faulty = [name for name in tables if name not in parts] + ["probes"] * bool(misprobed)
    problems += cross_check(parts, faulty=faulty)
    if problems:
        raise StationError(path, [resolved.place(problem) for problem in problems])
    parts["chosen"] = resolved.chosen
    station = Station.model_construct(**{**_defaults(), **parts})
    if problems := _check_each_probe(station):
        raise StationError(path, problems)
    return station


def _check_each_probe(station: Station) -> list[Problem]:
    """Return what is wrong with the law and the beam of the probe, or of one of several."""
    problems: list[Problem] = []
    for number in range(len(station.probes) or 1):
        one = station_of_probe(station, number)
        of_probe = check_probe(one)
        if station.probes:
            key = f"probe[{number}]"
            of_probe = [replace(found, key=key + found.key[len("probe") :]) for found in of_probe]
        problems += [found for found in check_law(one) + of_probe if found not in problems]
    return problems


def station_in_journal(detail: dict[str, Any], path: Path | str) -> Station:
    """Return the station file with which a run was opened.

    Args:
        detail: of the mark that opens the run.
        path: names the journal in errors.

    Raises:
        StationError: this version of Swathe does not understand it.
    """
    keys = ("calibration", "descriptions", "spots", "probe_calibrations", "chosen")
    details = [detail.get(key) for key in keys]
    return _in_journal(detail["station"], str(path), json.dumps(details))


def texts_for_journal(station: Station) -> dict[str, Any]:
    """Return what the station file names, for the mark that opens a run."""
    detail: dict[str, Any] = {}
    if station.record is not None:
        detail["calibration"] = station.record.model_dump(mode="json")
    if station.descriptions:
        detail["descriptions"] = station.descriptions
    if station.spot_file is not None:
        detail["spots"] = station.spot_file
    if station.probe_records:
        detail["probe_calibrations"] = {
            name: record.model_dump(mode="json") for name, record in station.probe_records.items()
        }
    if station.chosen != Chosen():
        detail["chosen"] = station.chosen.model_dump(mode="json")
    return detail


@lru_cache(maxsize=8)  # many short runs are opened with one file
def _in_journal(text: str, path: str, details: str) -> Station:
    record, descriptions, spots, records, chosen = json.loads(details)
    return parse_station(
        text,
        path,
        record=record,
        descriptions=descriptions or {},
        spots=spots,
        probe_records=records or {},
        chosen=Chosen.model_validate(chosen or {}),
    )


def survey_folder(station: Station, station_path: Path) -> Path:
    """Return the survey folder, taken from the station file's own place when relative."""
    return (station_path.resolve().parent / station.survey.folder).resolve()


def _defaults() -> dict[str, Any]:
    return {
        name: field.default
        for name, field in Station.model_fields.items()
        if not field.is_required()
    }


def _validate_tables(tables: dict[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """Validate each top-level table by itself, so that one bad table hides no other's problems."""
    parts: dict[str, Any] = {}
    problems: list[Problem] = []
    for name, field in Station.model_fields.items():
        if field.exclude:
            continue
        if name not in tables:
            if field.is_required():
                problems.append(Problem(name, "is required", None, f"add {name} to the file"))
            continue
        adapter: TypeAdapter[Any] = TypeAdapter(field.rebuild_annotation())
        try:
            parts[name] = adapter.validate_python(tables[name])
        except ValidationError as error:
            found = settings_error(error, tables[name], key=name)
            problems += as_written(problems_of(found, field.annotation), tables)
    known = [name for name, field in Station.model_fields.items() if not field.exclude]
    problems += [unknown_key(name, tables[name], known) for name in tables if name not in known]
    return parts, problems


def _add_record(
    parts: dict[str, Any], record: dict[str, Any] | None, folder: Path | None
) -> list[Problem]:
    """Put the calibration record that the file names into `parts`; return what is wrong."""
    calibration: CalibrationSettings | None = parts.get("calibration")
    if calibration is None:
        return []
    if (calibration.file is None) == (calibration.velocity is None):
        got = "neither" if calibration.file is None else "both"
        remedy = 'file = "calibration.json", which calibrate writes, or velocity and zero_offset'
        return [Problem("calibration", "must be given by either file or velocity", got, remedy)]
    if calibration.file is None:
        return []
    try:
        if record is not None:
            parts["record"] = parse_calibration_record(
                json.dumps(record), Path("calibration record in the journal")
            )
        else:
            parts["record"] = read_calibration_record((folder or Path()) / calibration.file)
    except CalibrationError as error:
        remedy = "write one with `swathe calibrate thickness`"
        requirement = f"must name a calibration record: {error}"
        return [Problem("calibration.file", requirement, calibration.file, remedy)]
    return []


def _check_block(parts: dict[str, Any]) -> list[Problem]:
    block: BlockSettings | None = parts.get("block")
    if block is None or not block.material:
        return []
    try:
        material_named(block.material)
    except CalibrationError:
        requirement = f"must be one of: {'; '.join(MATERIALS)}"
        remedy = "leave it out to calibrate without a check of the velocity"
        return [Problem("block.material", requirement, block.material, remedy)]
    return []


def _settle_broker(parts: dict[str, Any], folder: Path | None) -> list[Problem]:
    """Find the files that the broker's table names; return what is wrong with it.

    A station file in a journal is read without a folder: its broker is not met any more.
    """
    broker: BrokerSettings | None = parts.get("broker")
    if broker is None or folder is None:
        return []
    parts["broker"] = in_folder(broker, folder)
    return check_broker(parts["broker"])


def _check_drivers(devices: dict[str, DeviceSettings]) -> list[Problem]:
    problems: list[Problem] = []
    for name, device in devices.items():
        key = f"device.{name}"
        try:
            device.port_settings()
        except ValidationError as error:
            found = settings_error(error, {"url": device.port, "baud": device.baud}, key=key)
            for problem in problems_of(found):
                place = problem.key.replace(f"{key}.url", f"{key}.port")
                problems.append(replace(problem, key=place))
        try:
            check_driver(
                device.driver,
                device.protocol,
                key=f"{key}.protocol",
                talk=device.talk,
                talk_key=f"{key}.talk",
            )
        except SettingsError as error:
            problems += problems_of(error, load_driver(device.driver).Settings)
        except DriverError as error:
            problems.append(Problem(f"{key}.driver", str(error), device.driver))
    return problems
