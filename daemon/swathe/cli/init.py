"""``swathe init``: write a commented station file, for a simulated scenario or for devices at hand."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import app, say
from swathe.cli.scenarios import complete_scenario, simulated_scenario
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.draft import PlanWishes

__all__ = ["init"]


@app.command()
def init(
    station: Annotated[
        Path | None,
        typer.Argument(help="Station file to write; by default named like the station."),
    ] = None,
    simulated: Annotated[
        str,
        typer.Option(
            help="Scenario to scan: a name that `swathe simulate` lists, or a file.",
            autocompletion=complete_scenario,
        ),
    ] = "",
    name: Annotated[str, typer.Option(help="Name of the station, also its MQTT topic.")] = "",
    part: Annotated[str, typer.Option(help="What is scanned.")] = "",
    length: Annotated[
        str, typer.Option(help='Length of the scan along the probe\'s path, such as "900 mm".')
    ] = "",
    width: Annotated[
        str, typer.Option(help='Width across it, such as "240 mm"; 0 for a single line.')
    ] = "",
    cell: Annotated[
        str, typer.Option(help='Size of a cell, such as "4 mm", or "4 mm x 8 mm" along and across.')
    ] = "",
    nominal: Annotated[str, typer.Option(help='Nominal thickness, such as "14 mm".')] = "",
    spots: Annotated[
        str, typer.Option(help="Number of spots, instead of a scan, without an encoder.")
    ] = "",
    gauge: Annotated[
        str, typer.Option(help="Port of the gauge: /dev/ttyUSB0, usb:SERIAL, socket://HOST:PORT.")
    ] = "",
    gauge_protocol: Annotated[
        str,
        typer.Option(
            help="What it sends: a description's file, the name of a bundled example, capture:FILE, "
            "or listen: proposed from what the port sends."
        ),
    ] = "",
    encoder: Annotated[
        str, typer.Option(help="Port of the encoder, where the gauge gives no positions.")
    ] = "",
    encoder_protocol: Annotated[str, typer.Option(help="What it sends, as --gauge-protocol.")] = "",
    scan_scale: Annotated[
        str,
        typer.Option(
            help='Counts per mm along the scan, such as 26.07, or a wheel: "50 mm x 1024".'
        ),
    ] = "",
    index_scale: Annotated[str, typer.Option(help="Likewise across the scan.")] = "",
    velocity: Annotated[
        str, typer.Option(help='Velocity of sound, such as "5920 m/s", of a gauge of flight times.')
    ] = "",
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there.")] = False,
) -> None:
    """Write a station file with a comment for each key; it passes `swathe check`.

    With --simulated the simulation's file is written as well, and the commands for two terminals are
    printed. Otherwise a terminal is asked for what no option gives; Ctrl-C writes nothing. No file
    that is there is overwritten without --force.
    """
    from swathe.draft import PlanWishes

    wishes = PlanWishes(
        name=name,
        part=part,
        length=length,
        width=width,
        cell=cell,
        nominal=nominal,
        spots=spots,
        scan_scale=scan_scale,
        index_scale=index_scale,
        velocity=velocity,
    )
    _check_wishes(wishes)
    if simulated:
        own = {
            "--gauge": gauge,
            "--gauge-protocol": gauge_protocol,
            "--encoder": encoder,
            "--encoder-protocol": encoder_protocol,
            "--spots": spots,
            "--scan-scale": scan_scale,
            "--index-scale": index_scale,
            "--velocity": velocity,
        }
        if given := [option for option, text in own.items() if text]:
            message = f"the scenario has its own devices: leave {', '.join(given)} out"
            raise SwatheError(message)
        _init_simulated(simulated, wishes, station, force=force)
        return
    from swathe.cli.init_own import DeviceFlags, init_own

    flags = DeviceFlags(gauge, gauge_protocol, encoder, encoder_protocol)
    init_own(flags, wishes, station, force=force)


def _check_wishes(wishes: PlanWishes) -> None:
    """Refuse a flag that cannot be.

    Raises:
        SwatheError: names the option, the requirement and the text.
    """
    from swathe.draft.wishes import (
        cell_size,
        part_text,
        positive_length,
        scale_of,
        sound_velocity,
        spot_count,
        station_name,
        width_of,
    )

    checks: dict[str, Callable[[str], object]] = {
        "name": station_name,
        "part": part_text,
        "length": positive_length,
        "width": width_of,
        "cell": cell_size,
        "nominal": positive_length,
        "spots": spot_count,
        "scan_scale": scale_of,
        "index_scale": scale_of,
        "velocity": sound_velocity,
    }
    for option, check in checks.items():
        text = getattr(wishes, option)
        try:
            if text:
                check(text)
        except ValueError as error:
            message = f"'--{option.replace('_', '-')}' {error} (got {text!r})"
            raise SwatheError(message) from error


def _init_simulated(
    scenario: str, wishes: PlanWishes, station: Path | None, *, force: bool
) -> None:
    """Write the pair of files of a scenario, and print how to use it."""
    from swathe.draft import simulated_draft, station_file_text, write_station_files
    from swathe.draft.wishes import check_station_name

    source, found = simulated_scenario(scenario)
    name = wishes.name or (station.stem if station is not None else found.name)
    check_station_name(name)
    target = station or Path(f"{name}.toml")
    draft = simulated_draft(found, wishes, name=name)
    own = source == Path(scenario)
    simulation = source if own else target.with_name(f"{target.stem}-simulation.toml")
    others = {} if own else {simulation: source.read_text("utf-8")}
    write_station_files(target, station_file_text(draft.tables), others, force=force)

    def command(*words: str | Path) -> None:
        say(f"  swathe {shlex.join(str(word) for word in words)}")

    survey = target.parent / name
    say(f"wrote {' and '.join(str(path) for path in (target, *others))}")
    say("In a first terminal, in this folder:")
    command("simulate", simulation)
    say("In a second one, while the first command runs:")
    if draft.moved_by == "block":
        command("calibrate", "thickness", target, "--by", "NAME")
        say("Press Enter in the first terminal whenever the second asks for a step.")
        return
    command("run", target, *(["--arm"] * (draft.moved_by == "crawler")))
    if draft.moved_by == "hand":
        say("Press Enter in the first terminal once the second shows its board; q ends the run.")
    say(f"Afterwards; the second command draws {survey / 'thickness.png'}:")
    command("report", survey)
    command("rebuild", survey)
