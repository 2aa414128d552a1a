"""``swathe rebuild SURVEY``: make everything that is derived anew from the journal."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import app, console, errors

__all__ = ["rebuild"]


@app.command()
def rebuild(
    survey: Annotated[Path, typer.Argument(help="The survey folder.")],
    picture: Annotated[bool, typer.Option(help="Draw the picture anew as well.")] = True,
) -> None:
    """Make arrays, record and picture of a survey anew from its journal.

    The journal is only read. The arrays come out as the live run had them, bit for bit.
    """
    from swathe.report import draw_survey, summary_line
    from swathe.store import SurveyFolder, replay, write_derived

    folder = SurveyFolder(survey)
    folder.require()

    def tell_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    with folder, console.status("reading the journal") as status:
        pipeline = replay(
            folder,
            on_torn=tell_torn,
            on_entries=lambda count: status.update(f"reading the journal: {count:,} entries"),
        )
        record = write_derived(folder, pipeline)
    if picture:
        console.print(f"picture: {draw_survey(folder)}", soft_wrap=True, highlight=False)
    console.print(summary_line(record), soft_wrap=True)
