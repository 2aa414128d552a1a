"""``swathe surveys FOLDER``: what surveys there are."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, say
from swathe.object_storage import survey_path

__all__ = ["surveys"]


@app.command()
def surveys(
    folder: Annotated[
        Path,
        typer.Argument(
            parser=survey_path,
            metavar="[FOLDER]",
            help="A folder or URL with surveys at any depth.",
        ),
    ] = Path(),
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """List surveys: part, area, date, coverage, minimum and state.

    Exit code 0: each one's coverage meets its target; 3: that of some does not, or is unknown.
    """
    from swathe.report.survey_list import survey_rows, surveys_json, surveys_table
    from swathe.store import surveys_below

    rows = survey_rows(surveys_below(folder), folder)
    if as_json:
        typer.echo(surveys_json(rows))
    elif rows:
        console.print(surveys_table(rows))
    else:
        say(f"no survey in {folder}")
    reached = all(row.target_reached for row in rows)
    raise typer.Exit(Exit.OK if reached else Exit.NOT_COVERED)
