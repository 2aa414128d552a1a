"""``swathe evaluate SURVEY``: figures over all cells of a survey."""

from __future__ import annotations

from typing import Annotated

import typer

from swathe.cli.app import app, console, say
from swathe.cli.evaluation_options import (
    ApartOption,
    CornersOption,
    ExtremesOption,
    LevelOption,
    LowestOption,
    NotScannedOption,
    SquareOption,
    ZoneOption,
    evaluation_wishes,
)
from swathe.cli.read_survey import end_showing, verified_survey
from swathe.cli.survey_argument import SurveyArgument

__all__ = ["evaluate"]


@app.command()
def evaluate(
    survey: SurveyArgument,
    level: LevelOption = None,
    lowest: LowestOption = 10,
    apart: ApartOption = "",
    square: SquareOption = "",
    zone: ZoneOption = None,
    corners: CornersOption = False,
    extremes: ExtremesOption = False,
    not_scanned: NotScannedOption = "",
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

    folder, record, unverified = verified_survey(survey)
    asked = evaluation_wishes(
        level=level, lowest=lowest, apart=apart, square=square, zone=zone, corners=corners,
        extremes=extremes, not_scanned=not_scanned,
    )  # fmt: skip
    found = evaluate_arrays(open_arrays(folder), record=record, **asked)
    if as_json:
        typer.echo(evaluation_json(found))
    else:
        for part in evaluation_parts(found):
            if isinstance(part, str):
                say(part)
            else:
                console.print(part)
    end_showing(folder, record, unverified)
