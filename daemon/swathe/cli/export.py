"""``swathe export SURVEY --to FORMAT``: a survey as a file of an open format."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import app, console, quantity, say
from swathe.cli.read_survey import end_showing, verified_survey
from swathe.cli.survey_argument import SurveyArgument
from swathe.errors import SwatheError

__all__ = ["export"]


@app.command()
def export(
    survey: SurveyArgument,
    to: Annotated[
        str,
        typer.Option(
            help="csv: all cells; lowest: lowest places, CSV; netcdf: all layers; "
            "parquet: all readings with their places; png: map to scale; diconde: map as an image file."
        ),
    ],
    out: Annotated[
        Path | None, typer.Option(help="File; here, named after the survey, unless given.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    lowest: Annotated[
        int, typer.Option(min=1, max=1000, help="With --to lowest: how many places.")
    ] = 10,
    apart: Annotated[
        str,
        typer.Option(help='With --to lowest: least distance between two places, such as "25 mm".'),
    ] = "",
) -> None:
    """Write a survey as a file that other programs read: cells, layers, readings or a picture.

    The survey is only read. Exit code 0: coverage meets the target; 3: it does not, or the record
    is not verified; 5: the journal is damaged; the file is written in each of these cases.
    """
    from swathe.export import export_survey
    from swathe.units import length

    options: dict[str, object] = {}
    if to == "lowest":
        options["lowest"] = lowest
        options["separation"] = quantity("--apart", apart, length) if apart else None
    elif apart:
        message = "'--apart' is for --to lowest"
        raise SwatheError(message)
    folder, record, unverified = verified_survey(survey)
    with console.status("writing") as status:
        written = export_survey(
            folder,
            to,
            out,
            force=force,
            on_progress=lambda share: status.update(f"reading the journal: {share:.0%}"),
            **options,
        )
    say(f"{to}: {written}")
    end_showing(folder, record, unverified)
