"""``swathe gaps SURVEY``: the gaps of a survey, where and why."""

from __future__ import annotations

from typing import Annotated

import typer

from swathe.cli.app import app, console, say
from swathe.cli.read_survey import end_showing, verified_survey
from swathe.cli.survey_argument import SurveyArgument

__all__ = ["gaps"]


@app.command()
def gaps(
    survey: SurveyArgument,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON: every gap, open and closed.")
    ] = False,
    closed: Annotated[bool, typer.Option("--closed", help="List closed gaps too.")] = False,
) -> None:
    """List the gaps of a survey.

    Exit code 0: coverage meets the target; 3: it does not, or the record is not verified; 5: the
    journal is damaged.
    """
    from swathe.report import damage_lines, gaps_json, gaps_table, spots_table, summary_line
    from swathe.store import ending_text, last_run

    folder, record, unverified = verified_survey(survey)
    if as_json:
        typer.echo(gaps_json(record, last=last_run(folder, record)))
    else:
        for line in spots_table(record):
            say(line)
        listed = () if record.spots else record.gaps if closed else record.open_gaps
        if listed or (record.zones and not record.spots):
            console.print(gaps_table(record, closed=closed))
        for line in damage_lines(record):
            say(line, style="bold")
        say(summary_line(record))
        if text := ending_text(folder, record):
            say(text)
    end_showing(folder, record, unverified)
