"""Protocol descriptions that a station file names: looked up once, kept with the station.

A device may say ``description = "gauge.toml"`` in place of ``driver`` and ``protocol``. What
stands in that file under ``[port]`` holds for the device, too, unless the station file says
otherwise. The files' texts go into the journal with the station file, so that a rebuild looks
nothing up.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from swathe.errors import Problem
from swathe_drivers import SettingsError
from swathe_drivers.description import (
    Description,
    DescriptionError,
    parse_description,
    read_description,
)

__all__ = ["put_descriptions_in"]

_IN_DESCRIPTION = ("driver", "protocol")


def put_descriptions_in(
    tables: dict[str, Any], texts: Mapping[str, str] | None, folder: Path | None
) -> tuple[dict[str, Any], dict[str, str], list[Problem]]:
    """Put what the descriptions say into the tables of the devices that name them.

    Args:
        tables: a station file's; left as they are.
        texts: text of each description by the name that the station file has for it, as a journal
            holds them.
        folder: where they are looked for instead.

    Returns:
        The tables with the driver, protocol and port settings in each such device; the texts that
        were used, by name; what is wrong.
    """
    devices = tables.get("device")
    if not isinstance(devices, dict):
        return tables, {}, []
    used: dict[str, str] = {}
    problems: list[Problem] = []
    resolved: dict[str, Any] = {}
    for name, device in devices.items():
        resolved[name] = device
        if not isinstance(device, dict) or not isinstance(device.get("description"), str):
            continue  # another type is reported where the whole device is checked
        key = f"device.{name}"
        file = device["description"]
        problems += [
            Problem(
                f"{key}.{name}",
                "must be left out with a description",
                device[name],
                f"{file} has it",
            )
            for name in _IN_DESCRIPTION
            if name in device
        ]
        try:
            found = _look_up(file, texts, folder)
        except DescriptionError as error:
            problems += [_problem(f"{key}.description", file, each) for each in error.problems]
            continue
        used[file] = found.text
        resolved[name] = {
            **found.port,
            "driver": found.driver,
            "protocol": found.protocol,
            **({} if found.talk is None else {"talk": found.talk}),
            **device,
        }
    return {**tables, "device": resolved}, used, problems


def _look_up(file: str, texts: Mapping[str, str] | None, folder: Path | None) -> Description:
    if texts is None:
        return read_description((folder or Path()) / file)
    if file not in texts:
        raise DescriptionError(file, ["is not in the journal"])
    return parse_description(texts[file], file)


def _problem(key: str, file: str, found: SettingsError | str) -> Problem:
    if isinstance(found, str):
        return Problem(key, f"must name a protocol description: {found}", file)
    return Problem(key, f"names {file}, whose '{found.key}' {found.requirement}", found.value)
