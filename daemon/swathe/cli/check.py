"""``swathe check STATION.toml``: everything that is wrong, then what each port receives."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, say

__all__ = ["check"]


@app.command()
def check(
    station: Annotated[Path, typer.Argument(help="The station file.")],
    seconds: Annotated[
        float, typer.Option(min=0, help="How long to listen at the ports; 0 opens none.")
    ] = 3.0,
) -> None:
    """Validate a station file and test its ports.

    A crawler is asked for its position; it is neither armed nor moved.
    """
    from swathe.live.asking import ask_machine
    from swathe.live.listening import listen_all
    from swathe.station import areas_in, read_devices, read_station, survey_folder
    from swathe.station.describe import summarize_station

    areas = areas_in(station)
    for area in areas or [""]:
        settings, _ = read_station(station, area=area)
        say(f"{station}{f', area {area}' * bool(area)}: the file is good")
        for line in summarize_station(settings):
            say(f"  {line}")
        say(f"  survey folder {survey_folder(settings, station)}")
    if not seconds:
        return
    bad = 0
    settings = read_devices(station)
    say(f"listening for {seconds:g} s")
    reports = list(listen_all(settings, seconds))
    if settings.motion is not None:
        reports.append(ask_machine(settings.motion, seconds, settings.display))
    for report in reports:
        bad += not report.good
        mark = "good" if report.good else "BAD"
        say(f"{report.device}: {mark}, {report.summary}")
        for line in report.lines:
            say(f"    {line}")
    raise typer.Exit(Exit.ERROR if bad else Exit.OK)
