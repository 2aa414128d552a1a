"""``swathe run STATION.toml``: acquire until the plan is covered or somebody stops it."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, errors, say

__all__ = ["run"]


@app.command()
def run(
    station: Annotated[Path | None, typer.Argument(help="The station file.")] = None,
    new: Annotated[
        bool, typer.Option("--new", help="Begin a new survey; an older one is renamed, not lost.")
    ] = False,
    describe: Annotated[
        bool, typer.Option("--describe", help="Print topics and JSON Schemas of all messages.")
    ] = False,
) -> None:
    """Acquire until the plan is covered, or until Ctrl-C, SIGTERM or a stop command.

    A survey that was begun before is resumed. Exit code 0: the plan is covered; 3: it is not.
    """
    if describe:
        from swathe.messages import describe_messages

        typer.echo(json.dumps(describe_messages(), indent=2))
        return
    if station is None:
        raise typer.BadParameter("name the station file, such as penstock.toml")
    from swathe.live import Daemon
    from swathe.live.terminal import CAUTION, page_line, terminal_observer
    from swathe.page import Page
    from swathe.report import summary_line
    from swathe.station import load_station, survey_folder
    from swathe.store import SurveyFolder

    settings, text = load_station(station)
    folder = SurveyFolder(survey_folder(settings, station))
    if new and (aside := folder.set_aside()):
        say(f"the older survey is kept as {aside}")
    if not console.is_terminal:
        say(CAUTION)
    if folder.begun:
        say(f"resuming {folder.path}")

    def tell_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    def tell_page(page: Page) -> None:
        say(page_line(page))

    async def acquire() -> int:
        with terminal_observer(console) as observer:
            daemon = Daemon(
                settings, text, folder, observer=observer, on_torn=tell_torn, on_page=tell_page
            )
            outcome = await daemon.run()
        say(f"{outcome.status}: {outcome.reason}")
        say(summary_line(outcome.record))
        say(f"survey: {folder.path}")
        return Exit.OK if outcome.status == "complete" else Exit.NOT_COVERED

    raise typer.Exit(asyncio.run(acquire()))
