"""``swathe init`` for devices at hand: by flags alone, or with questions at a terminal."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path
from typing import NamedTuple

import typer

from swathe.cli.app import Exit, console, say
from swathe.draft import (
    DeviceWish,
    OwnDevice,
    PlanWishes,
    PortTrial,
    description_files,
    encoded_axes,
    needed_scales,
    own_device,
    own_tables,
    refuse_existing,
    sources_text,
    station_file_text,
    try_port,
    write_station_files,
)
from swathe.draft.wishes import check_station_name, width_of
from swathe.errors import SwatheError

__all__ = ["DeviceFlags", "init_own"]

_STATION = "station"
_MEANINGS = {
    "gauge": "port of the gauge, such as /dev/ttyUSB0",
    "gauge-protocol": "what it sends: ",
    "encoder-protocol": "what it sends, likewise",
    "length": 'of the scan, such as "900 mm"; or --spots, without an encoder',
    "width": 'across it, such as "240 mm"; 0 for a single line',
    "cell": 'its size, such as "4 mm x 8 mm"',
    "nominal": 'thickness, such as "14 mm"',
    "spots": "their number, as no device gives positions; or --encoder",
    "scan-scale": 'counts per mm, such as 26.07, or a wheel: "50 mm x 1024"',
    "index-scale": "likewise, across",
}


class DeviceFlags(NamedTuple):
    """Ports and sources of their descriptions as the flags give them; empty where they do not."""

    gauge: str = ""
    gauge_protocol: str = ""
    encoder: str = ""
    encoder_protocol: str = ""


def init_own(flags: DeviceFlags, wishes: PlanWishes, station: Path | None, *, force: bool) -> None:
    """Write the station file of devices at hand, and their descriptions where they are new.

    Args:
        flags: of the devices.
        wishes: of the plan.
        station: file to write; None to name it like the station.
        force: whether files that are there are replaced.

    Raises:
        SwatheError: a flag is missing where nobody can be asked, or the devices do not fit.
    """
    if station is not None:
        refuse_existing([station], force=force)
    folder = station.parent if station is not None else Path()
    asked = console.is_terminal and sys.stdin.isatty()
    if asked:
        try:
            gauge, encoder, wishes = _asked(flags, wishes, folder, force=force)
        except (KeyboardInterrupt, EOFError):
            say("\nended: nothing is written")
            raise typer.Exit(Exit.ERROR) from None
    else:
        gauge, encoder = _by_flags(flags, wishes, folder, force=force)
    name = wishes.name or (station.stem if station is not None else _name_of(wishes.part))
    if asked and station is None and not force:
        name = _free_station(name)  # no answer is lost for the sake of a name
    check_station_name(name)
    target = station or Path(f"{name}.toml")
    text = station_file_text(own_tables(wishes, gauge, encoder, name=name))
    devices = [device for device in (gauge, encoder) if device is not None]
    others = description_files(devices, target.parent)
    write_station_files(
        target,
        text,
        others,
        descriptions={device.file: device.description.text for device in devices},
        force=force,
    )
    say(f"wrote {' and '.join(str(path) for path in (target, *others))}")
    for device in devices:
        if device.unsure:
            say(f"compare {device.file} with the manual: what is marked ? in it is a guess")
    say("Next:")
    say(f"  {shlex.join(['swathe', 'check', str(target)])}")
    say(f"  {shlex.join(['swathe', 'run', str(target)])}")


def _asked(
    flags: DeviceFlags, wishes: PlanWishes, folder: Path, *, force: bool
) -> tuple[OwnDevice, OwnDevice | None, PlanWishes]:
    """Return the devices and the plan, asked for where no flag gives them."""
    from swathe.cli.init_questions import InitQuestions
    from swathe.cli.step_prompts import discard_typed
    from swathe.cli.typed_answer import typed_answer
    from swathe_drivers import list_ports

    def trial(url: str) -> PortTrial:
        found = try_port(url)
        discard_typed()  # what is typed meanwhile answers nothing
        return found

    questions = InitQuestions(typed_answer, trial=trial, folder=folder, force=force)
    say("Enter takes what is in brackets; Ctrl-C ends, and nothing is written.")
    say("No device at hand? `swathe init --simulated belt` needs none.")
    ports = []
    if not (flags.gauge and (flags.encoder or flags.gauge_protocol)):
        ports = list_ports()
        say(
            "Serial ports:"
            if ports
            else "No serial port is present; a network port has an address."
        )
        for number, port in enumerate(ports, 1):
            say(f"  {number}  {port.name}  {port.description or ''}".rstrip())
        say(
            "A port that you name is opened and read for some seconds, and nothing is sent to it. "
            "Opening may reset the device: never name that of a crawler that may move."
        )
    gauge = questions.device(
        "gauge",
        ports,
        port=flags.gauge,
        source=flags.gauge_protocol,
        default="1" if ports else "",
    )
    assert gauge is not None  # noqa: S101  only an encoder may be left out
    positioned = bool(gauge.decoder.axes)
    encoder = None
    if flags.encoder or not (positioned or wishes.spots):
        encoder = questions.device(
            "encoder", ports, port=flags.encoder, source=flags.encoder_protocol, default="-"
        )
    return gauge, encoder, questions.plan(wishes, gauge, encoder)


def _by_flags(
    flags: DeviceFlags, wishes: PlanWishes, folder: Path, *, force: bool
) -> tuple[OwnDevice, OwnDevice | None]:
    """Return the devices that the flags name.

    Raises:
        SwatheError: flags are missing; names them all.
    """
    missing = [] if flags.gauge else ["gauge"]
    missing += [] if flags.gauge_protocol else ["gauge-protocol"]
    missing += ["encoder-protocol"] if flags.encoder and not flags.encoder_protocol else []
    if missing:
        scan = [] if wishes.spots else ["length", "width", "cell"]
        missing += [key for key in (*scan, "nominal") if not getattr(wishes, key)]
        _refuse_missing(missing)
    gauge = own_device(DeviceWish("gauge", flags.gauge, flags.gauge_protocol), folder, force=force)
    encoder = None
    if flags.encoder:
        wish = DeviceWish("encoder", flags.encoder, flags.encoder_protocol)
        encoder = own_device(wish, folder, force=force)
    axes = encoded_axes(gauge, encoder)
    needed = ["length", "width", "cell", "nominal"] if axes else ["spots", "nominal"]
    needed += needed_scales(axes, lines=bool(wishes.width) and width_of(wishes.width) > 0)
    _refuse_missing([key.replace("_", "-") for key in needed if not getattr(wishes, key)])
    return gauge, encoder


def _refuse_missing(missing: list[str]) -> None:
    if not missing:
        return
    lines = [f"  --{key:17} {_MEANINGS[key]}" for key in missing]
    sources = sources_text()
    text = "\n".join(line + sources if line.endswith(": ") else line for line in lines)
    message = (
        "nobody can be asked, as this is no terminal, and these options are missing:\n"
        f"{text}\n(or --simulated SCENARIO, which needs none of them)"
    )
    raise SwatheError(message)


def _name_of(part: str) -> str:
    """Return a station's name made of what is scanned."""
    words = re.findall(r"[A-Za-z0-9]+", part)
    return "-".join(words).lower()[:40].strip("-") or _STATION


def _free_station(name: str) -> str:
    """Return a station's name of which there is no file in this folder."""
    number, free = 1, name
    while Path(f"{free}.toml").exists():
        number += 1
        free = f"{name}-{number}"
    return free
