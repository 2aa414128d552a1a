"""``swathe run STATION.toml``: acquire until the plan is covered or the run is stopped."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import AreaOption, Exit, app, console, errors, say
from swathe.freed_memory import return_freed_memory
from swathe.steady_output import STEADY_OUTPUT
from swathe.stop_requests import STOP_REQUESTS

if TYPE_CHECKING:
    from swathe.messages import CheckMessage
    from swathe.page import Page
    from swathe.store import SurveyFolder

__all__ = ["run"]


@app.command()
def run(
    station: Annotated[Path | None, typer.Argument(help="The station file.")] = None,
    area: AreaOption = "",
    operator: Annotated[
        str, typer.Option("--operator", help="Who scans, instead of survey.operator.")
    ] = "",
    new: Annotated[
        bool, typer.Option("--new", help="Begin a new survey; an older one is renamed.")
    ] = False,
    changed: Annotated[
        str,
        typer.Option(
            "--changed",
            help="Why the station file places or reads otherwise than in the run before; kept.",
        ),
    ] = "",
    arm: Annotated[
        bool,
        typer.Option("--arm", help="Let the station's crawler move without typing 'arm'."),
    ] = False,
    picture: Annotated[
        bool, typer.Option(help="Draw the picture of the survey at the end.")
    ] = True,
    describe: Annotated[
        bool,
        typer.Option("--describe", help="Print the contract over MQTT as an AsyncAPI 3 document."),
    ] = False,
) -> None:
    """Acquire until the plan is covered, or until Ctrl-C, SIGTERM or a stop command.

    A survey that exists is resumed. Exit code 0: the plan is covered; 3: it is not; 4: it
    is not, and a fault stopped the crawler; 5: the journal of the survey is damaged.
    """
    if describe:
        from swathe.messages.asyncapi import asyncapi_document

        typer.echo(json.dumps(asyncapi_document(), indent=2, ensure_ascii=False))
        return
    if station is None:
        raise typer.BadParameter("name the station file, such as penstock.toml")
    from swathe.cli.arming import may_move
    from swathe.cli.run_copy import finish_copy, run_copy
    from swathe.live import Daemon
    from swathe.live.handing_over import HandingOver
    from swathe.live.run_panel import CAUTION, page_text
    from swathe.live.service_manager import ServiceManager
    from swathe.live.setup_log import SetupLog
    from swathe.live.terminal import TerminalObserver
    from swathe.report import damage_lines, due_after, due_before, summary_line
    from swathe.station import (
        AlarmKind,
        beam_warnings,
        condition_warnings,
        read_station,
        survey_folder,
    )
    from swathe.store import SurveyFolder, changes_since

    settings, text = read_station(station, area=area, operator=operator)
    folder = SurveyFolder(survey_folder(settings, station))
    if folder.written_now:
        with folder:  # refused, before anybody confirms anything
            pass
    if not console.is_terminal:
        say(CAUTION)
    for warning in beam_warnings(settings):
        say(f"WARNING: {warning}", style="bold")
    for warning in condition_warnings(settings):
        say(f"WARNING of the calibration: {warning}")
    if folder.begun and not new:
        say(f"resuming {folder.path}")
        for change in changes_since(folder, settings):
            say(f"changed since the last run: {change}")
    checks = () if new else _checks_of(folder)
    if due := due_before(settings, checks, datetime.now(UTC)):
        say(due, style="bold")
    armed = may_move(settings, checks, given=arm)
    # Up to here a signal ends the command at once; from here on the run ends in good order.
    STOP_REQUESTS.hold()
    STEADY_OUTPUT.begin()
    if new and (aside := folder.set_aside()):
        say(f"the older survey is kept as {aside}")

    def print_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    def print_page(page: Page) -> None:
        say(page_text(page, logged=not console.is_terminal))

    def print_crawl(words: str) -> None:
        say(f"crawler: {words}")

    ending = HandingOver(folder)
    copying = run_copy(settings.store, folder)

    async def acquire() -> int:
        with TerminalObserver(console) as observer:

            def give_back() -> None:
                observer.give_back()
                STEADY_OUTPUT.end()

            STOP_REQUESTS.restore.append(give_back)
            daemon = Daemon(
                settings,
                text,
                folder,
                observer=observer,
                on_torn=print_torn,
                on_page=print_page,
                armed=armed,
                on_crawl=None if console.is_terminal else print_crawl,
                setup_log=SetupLog(station, area=area),
                because=changed,
                manager=ServiceManager.of_environment(),
            )
            messages = daemon.mirror.messages
            daemon.mirror.watch(
                lambda topic, data: observer.show_resumption(messages[topic]) if data else None
            )
            if daemon.crawl is not None:
                STOP_REQUESTS.restore.insert(0, daemon.crawl.close_now)
            if copying is not None:
                daemon.health.follow(AlarmKind.COPY, copying.late_text)
            if picture:
                daemon.at_end = ending.at_end
            outcome = await daemon.run()
        say(f"{outcome.status}: {outcome.reason}")
        if outcome.unpublished:
            say(outcome.unpublished)
        if (record := outcome.newest_record) is not None:
            for line in damage_lines(record):
                say(line, style="bold")
            say(summary_line(record))
            if due := due_after(settings, record.checks):
                say(due)
        say(f"survey: {folder.path}")
        if ending.picture is not None:
            say(f"picture: {ending.picture}")
        elif ending.trouble:
            errors.print(ending.trouble, soft_wrap=True)
        if copying is not None:
            finish_copy(copying, folder)
        complete = outcome.status == "complete"
        if outcome.halted and not complete:
            return Exit.HALTED
        if record is not None and record.journal_damage:
            return Exit.JOURNAL_DAMAGED
        return Exit.OK if complete else Exit.NOT_COVERED

    # What was imported stays: a search for garbage that visits it holds up a scan for some 50 ms.
    gc.freeze()
    return_freed_memory()
    with copying or contextlib.nullcontext():
        code = asyncio.run(acquire())
    raise typer.Exit(code)


def _checks_of(folder: SurveyFolder) -> tuple[CheckMessage, ...]:
    """Return the checks of a survey so far; a damaged record is written again by the run."""
    from swathe.errors import SurveyError
    from swathe.store import read_verified_record

    if not folder.record.exists():
        return ()
    try:
        return read_verified_record(folder).record.checks
    except SurveyError as error:
        say(f"earlier checks are unknown until the run starts: {error}", style="bold")
        return ()
