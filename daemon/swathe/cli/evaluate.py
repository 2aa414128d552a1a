"""``swathe evaluate SURVEY``: figures over all cells of a survey."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import app, console, quantity, say
from swathe.cli.read_survey import end_showing, verified_survey
from swathe.cli.zone_option import zone_of
from swathe.errors import SwatheError

__all__ = ["evaluate"]


@app.command()
def evaluate(
    survey: Annotated[Path, typer.Argument(help="The survey folder.")],
    level: Annotated[
        list[str] | None,
        typer.Option(
            help='Count areas below this level: "8 mm", or "80 %" of the nominal thickness. Repeatable.'
        ),
    ] = None,
    lowest: Annotated[
        int, typer.Option(min=0, max=1000, help="Low places, and thin areas a level, to list.")
    ] = 10,
    apart: Annotated[
        str, typer.Option(help='Least distance between two low places, such as "25 mm".')
    ] = "",
    square: Annotated[
        str, typer.Option(help='Evaluate squares of this side too, such as "100 mm".')
    ] = "",
    zone: Annotated[
        list[str] | None,
        typer.Option(
            help='Evaluate a zone too: "NAME: LOW to HIGH" on the scan axis, then ", LOW to HIGH" on the '
            "index axis. Repeatable."
        ),
    ] = None,
    corners: Annotated[
        bool, typer.Option("--corners", help="Join thin areas at corners of cells too.")
    ] = False,
    extremes: Annotated[
        bool,
        typer.Option(
            "--extremes",
            help="Estimate the minimum of the area not scanned, by the squares' minima.",
        ),
    ] = False,
    not_scanned: Annotated[
        str,
        typer.Option(help='That area, such as "3 m x 2 m"; what the plan lacks, unless given.'),
    ] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON: mm, mm², per cent.")] = False,
) -> None:
    """Print statistics, low places, areas below levels and thin areas, and what was not seen.

    Exit code 0: coverage meets the target; 3: it does not, or the record is not verified; 5: the
    journal is damaged.
    """
    from swathe.evaluation import evaluate_arrays
    from swathe.report.evaluation_json import evaluation_json
    from swathe.report.evaluation_text import evaluation_parts
    from swathe.store import open_arrays
    from swathe.units import length

    folder, record, unverified = verified_survey(survey)
    found = evaluate_arrays(
        open_arrays(folder),
        record=record,
        levels=level or (),
        lowest=lowest,
        separation=quantity("--apart", apart, length) if apart else None,
        zones=[zone_of(text) for text in zone or ()],
        square=quantity("--square", square, length) if square else None,
        corners=corners,
        extremes=extremes,
        not_scanned=_area(not_scanned) if not_scanned else None,
    )
    if as_json:
        typer.echo(evaluation_json(found))
    else:
        for part in evaluation_parts(found):
            if isinstance(part, str):
                say(part)
            else:
                console.print(part)
    end_showing(folder, record, unverified)


def _area(text: str) -> float:
    """Return the area that an option's text gives, mm².

    Raises:
        SwatheError: it gives none.
    """
    from swathe.units import length

    sides = text.split("x")
    if len(sides) != 2:
        message = f"'--not-scanned' must be two sides, such as '3 m x 2 m' (got {text!r})"
        raise SwatheError(message)
    one, other = (quantity("--not-scanned", side, length) for side in sides)
    return one * other
