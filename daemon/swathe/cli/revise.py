"""``swathe revise``: discard, move and restore readings of a survey that is not being scanned."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import app, errors, quantity, say
from swathe.cli.survey_argument import SurveyArgument
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.live.reviser import Reviser
    from swathe.messages import StretchSnapshot

__all__ = ["discard", "move", "restore"]


By = Annotated[str, typer.Option(help="Who does it.")]
Because = Annotated[str, typer.Option(help="The reason, which the report gives.")]
Line = Annotated[int | None, typer.Option(help="Of the readings on this line, numbered from 0.")]
From = Annotated[
    str, typer.Option("--from", help='Of those from this scan position on, such as "100 mm".')
]
To = Annotated[str, typer.Option(help="Of those up to this scan position.")]
Begin = Annotated[
    str, typer.Option(help="Of those from this time or note on, such as 2026-05-04T10:30:00Z.")
]
End = Annotated[str, typer.Option(help="Of those before this time or note.")]

revise = typer.Typer(
    help="Discard readings of a survey, move them to another line, or restore them.",
    no_args_is_help=True,
)
app.add_typer(revise, name="revise")


@revise.callback()
def _group() -> None:
    """Discard readings of a survey, move them to another line, or restore them.

    The bytes stay in the journal. Readings for which all given conditions hold are meant.
    """


@revise.command()
def discard(
    survey: SurveyArgument,
    by: By,
    because: Because,
    line: Line = None,
    start: From = "",
    to: To = "",
    begin: Begin = "",
    end: End = "",
) -> None:
    """Let readings count for no cell, and write the derived files again."""
    stretch = _stretch(line, start, to, begin, end)
    _revise(survey, lambda reviser: reviser.discard(stretch, by, because))


@revise.command()
def move(
    survey: SurveyArgument,
    to_line: Annotated[int, typer.Option(help="The line that they are of, numbered from 0.")],
    by: By,
    because: Because,
    line: Line = None,
    start: From = "",
    to: To = "",
    begin: Begin = "",
    end: End = "",
) -> None:
    """Let readings be of another line of a stepped index axis, and write the files again."""
    stretch = _stretch(line, start, to, begin, end)
    _revise(survey, lambda reviser: reviser.move(stretch, to_line, by, because))


@revise.command()
def restore(
    survey: SurveyArgument,
    revision: Annotated[int, typer.Option(help="Number of the revision, as the report lists it.")],
    by: By,
    because: Because,
) -> None:
    """Let readings that were discarded or moved count as they were taken."""
    _revise(survey, lambda reviser: reviser.restore(revision, by, because))


def _stretch(line: int | None, start: str, to: str, begin: str, end: str) -> StretchSnapshot:
    from pydantic import ValidationError

    from swathe.messages import Extent, StretchSnapshot
    from swathe.units import length

    if bool(start) is not bool(to):
        message = "'--from' and '--to' are given together"
        raise SwatheError(message)
    span = None
    if start:
        span = Extent(quantity("--from", start, length), quantity("--to", to, length))
    try:
        return StretchSnapshot(line=line, scan=span, begin=begin or None, end=end or None)
    except ValidationError as error:
        message = "at least one of '--line', '--from', '--begin' and '--end' must be given"
        raise SwatheError(message) from error


def _revise(survey: Path, act: Callable[[Reviser], str]) -> None:
    from swathe.cli.rebuild import rebuild
    from swathe.live.offline_revision import revise_offline
    from swathe.station import station_in_journal
    from swathe.store import SurveyFolder

    folder = SurveyFolder(survey)
    folder.require()
    opened = list(folder.openings())[-1]
    station = station_in_journal(opened.detail, folder.journal)

    def print_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    answer = asyncio.run(
        revise_offline(station, opened.detail["station"], folder, act, on_torn=print_torn)
    )
    say(answer)
    rebuild(survey)
