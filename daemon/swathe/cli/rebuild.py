"""``swathe rebuild SURVEY``: write the derived files again from the journal."""

from __future__ import annotations

import asyncio
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import Exit, app, console, errors, say
from swathe.cli.survey_argument import SurveyArgument
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.store import SurveyFolder

__all__ = ["rebuild"]


@app.command()
def rebuild(
    survey: SurveyArgument,
    picture: Annotated[bool, typer.Option(help="Draw the picture again as well.")] = True,
    delay: Annotated[
        list[str] | None,
        typer.Option(help='Another delay of a device, such as "gauge=12 ms"; may be repeated.'),
    ] = None,
    calibration: Annotated[
        Path | None, typer.Option(help="Calibration record to apply instead.")
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(
            help="Stop at a time, such as 2026-05-04T10:30:00Z, or so long after the start: '90 min'."
        ),
    ] = None,
    override_check: Annotated[
        int | None, typer.Option(help="Number of a failed check to override.")
    ] = None,
    by: Annotated[str, typer.Option(help="With --override-check: who overrides it.")] = "",
    because: Annotated[str, typer.Option(help="With --override-check: the reason.")] = "",
) -> None:
    """Write arrays, record and picture of a survey again from its journal.

    The journal is only read. The arrays are those of the live run, bit for bit, unless another
    delay or calibration or an earlier end is given; the record states which was in force. With another calibration
    the checks are evaluated again as well. Only --override-check writes to the journal. Exit code 5: the
    journal is damaged; what could be read of it is evaluated.
    """
    from swathe.api.amending import amendment, end_of_replay
    from swathe.report import damage_lines, summary_line
    from swathe.report.picture import draw_survey
    from swathe.store import SurveyFolder, replay, write_derived

    folder = SurveyFolder(survey)
    folder.require()

    def print_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    if override_check is not None:
        _override(folder, override_check, by=by, because=because, print_torn=print_torn)
    amend = amendment(folder.plan(), delays=_delays(delay or []), calibration=calibration)
    end = end_of_replay(folder, until)

    with folder, console.status("reading the journal") as status:
        pipeline = replay(
            folder,
            amend=amend,
            until=end,
            on_torn=print_torn,
            on_progress=lambda share: status.update(f"reading the journal: {share:.0%}"),
        )
        options = _options(delay or [], calibration, until)
        record = write_derived(folder, pipeline, options=options)
        drawn = draw_survey(folder) if picture else None
    if drawn is not None:
        say(f"picture: {drawn}")
    for line in damage_lines(record):
        say(line, style="bold")
    say(summary_line(record))
    if record.journal_damage:
        raise typer.Exit(Exit.JOURNAL_DAMAGED)


def _options(delay: list[str], calibration: Path | None, until: str | None) -> str:
    """Return the options that let the files differ from those of the live run."""
    parts = [*(("--delay", one) for one in delay)]
    parts += [("--calibration", str(calibration))] * (calibration is not None)
    parts += [("--until", until)] if until is not None else []
    return shlex.join(word for part in parts for word in part)


def _override(
    folder: SurveyFolder,
    number: int,
    *,
    by: str,
    because: str,
    print_torn: Callable[[Path, str], None],
) -> None:
    """Override a failed check, in the journal."""
    from swathe.live.calibration_check import override_check
    from swathe.station import station_in_journal

    if not by or not because:
        message = "'--override-check' requires '--by' and '--because': both are kept in the journal"
        raise SwatheError(message)
    opened = list(folder.openings())[-1]
    station = station_in_journal(opened.detail, folder.journal)
    check = asyncio.run(
        override_check(
            station,
            opened.detail["station"],
            folder,
            number=number,
            by=by,
            because=because,
            on_torn=print_torn,
        )
    )
    say(f"check {check.number} is overridden: {because} ({by})")


def _delays(texts: list[str]) -> dict[str, str]:
    """Return durations by device from texts such as ``gauge=12 ms``."""
    pairs = [text.partition("=") for text in texts]
    return {device.strip(): value.strip() for device, _, value in pairs}
