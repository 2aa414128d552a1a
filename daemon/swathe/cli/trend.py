"""``swathe trend SURVEY...``: how fast a part loses wall over years."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, quantity, say, warn_unverified
from swathe.cli.zone_option import zone_of
from swathe.errors import SwatheError
from swathe.object_storage import survey_path

__all__ = ["trend"]


@app.command()
def trend(
    surveys: Annotated[
        list[Path],
        typer.Argument(
            parser=survey_path,
            metavar="SURVEYS...",
            help="Survey folders or URLs of one part, or folders with surveys at any depth.",
        ),
    ],
    part: Annotated[str, typer.Option(help="Take the surveys of this part only.")] = "",
    area: Annotated[str, typer.Option(help="Take the surveys of this area only.")] = "",
    align: Annotated[
        str, typer.Option(help="Pair places by the 'datum', or by the 'pattern' of the wall.")
    ] = "datum",
    shared: Annotated[
        str,
        typer.Option(
            help="Standard uncertainty that all readings of a survey share, where no record has it."
        ),
    ] = "",
    cell: Annotated[
        str,
        typer.Option(help="Side of the cells compared; those of the coarsest grid, unless given."),
    ] = "",
    zone: Annotated[
        list[str] | None,
        typer.Option(
            help='A zone by itself: "NAME: LOW to HIGH" on the scan axis, then ", LOW to HIGH" on the index '
            "axis, in the newest survey. Repeatable."
        ),
    ] = None,
    square: Annotated[
        str, typer.Option(help='Squares of this side by themselves, such as "500 mm".')
    ] = "",
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON: mm, mm/year, years.")
    ] = False,
) -> None:
    """Print the mean thickness by survey and zone, and the rate of loss by least squares.

    Three surveys or more, put into the order of their dates. Exit code 0: printed; 3: a record is
    not verified.
    """
    from swathe.comparison import dates_of_part, trend_of
    from swathe.report.trend_text import trend_json, trend_parts
    from swathe.units import length

    if align not in ("datum", "pattern"):
        message = f"'--align' must be 'datum' or 'pattern' (got {align!r})"
        raise SwatheError(message)
    known = quantity("--shared", shared, length) if shared else None
    dates = dates_of_part(surveys, part=part, area=area)
    for one in dates:
        warn_unverified(survey_path(one.name), one.unverified)
    found = trend_of(
        dates,
        align="pattern" if align == "pattern" else "datum",
        shared=known,
        cell=quantity("--cell", cell, length) if cell else None,
        zones=[zone_of(text) for text in zone or ()],
        square=quantity("--square", square, length) if square else None,
    )
    if as_json:
        typer.echo(trend_json(found))
    else:
        for piece in trend_parts(found):
            if isinstance(piece, str):
                say(piece)
            else:
                console.print(piece)
    unverified = any(one.unverified for one in dates)
    raise typer.Exit(Exit.NOT_COVERED if unverified else Exit.OK)
