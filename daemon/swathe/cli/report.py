"""``swathe report SURVEY``: a survey as text, and drawings of a line or a cell."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import app, quantity, say
from swathe.errors import SwatheError

__all__ = ["report"]


@app.command()
def report(
    survey: Annotated[Path, typer.Argument(help="The survey folder.")],
    line: Annotated[
        str, typer.Option(help='Draw the line at this index position, such as "48 mm".')
    ] = "",
    cell: Annotated[str, typer.Option(help='Draw the A-scan of the cell at "SCAN, INDEX".')] = "",
    out: Annotated[Path | None, typer.Option(help="File of the drawing.")] = None,
) -> None:
    """Print coverage, calibration, checks and the minimum thickness with its uncertainty."""
    from swathe.report import survey_lines
    from swathe.report.section import draw_cell, draw_line
    from swathe.store import SurveyFolder, read_survey_record
    from swathe.units import length

    folder = SurveyFolder(survey)
    folder.require()
    if line and cell:
        message = "draw one of --line and --cell at a time"
        raise SwatheError(message)
    if line:
        drawn = draw_line(folder, quantity("--line", line, length), out)
    elif cell:
        scan, comma, index = cell.partition(",")
        if not comma:
            index = "0 mm"  # a line profile has one line
        position = (quantity("--cell", scan, length), quantity("--cell", index, length))
        drawn = draw_cell(folder, *position, out)
    else:
        for text in survey_lines(read_survey_record(folder.record)):
            say(text)
        return
    say(f"drawing: {drawn}")
