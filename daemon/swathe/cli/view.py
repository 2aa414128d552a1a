"""``swathe view SURVEY``: a finished survey on the page."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import app, console, say
from swathe.cli.read_survey import end_showing, verified_survey

__all__ = ["view"]


@app.command()
def view(
    survey: Annotated[Path, typer.Argument(help="The survey folder.")],
    port: Annotated[
        int, typer.Option(min=0, max=65_535, help="Port of the page; a free one unless given.")
    ] = 0,
    host: Annotated[
        str,
        typer.Option(
            help="Address to serve on: this machine only unless given; others require a token."
        ),
    ] = "127.0.0.1",
    token_variable: Annotated[
        str, typer.Option(help="Environment variable with the token; one is made unless given.")
    ] = "",
    name: Annotated[
        list[str] | None,
        typer.Option(help="Name under which viewers reach the page. Repeatable."),
    ] = None,
) -> None:
    """Serve a finished survey as a page: map, readings, profiles, gaps, alarms; read-only.

    The journal is replayed, and nothing is written. Ctrl-C ends it. Exit code 0: coverage meets the
    target; 3: it does not, or the record is not verified; 5: the journal is damaged.
    """
    from swathe.live.viewing import SurveySource, ended_how, serve_survey
    from swathe.station import PageSettings
    from swathe.store import replay

    folder, record, unverified = verified_survey(survey)
    settings = PageSettings(
        host=host, port=port, token_variable=token_variable or None, names=tuple(name or ())
    )
    with console.status("reading the journal") as status:
        pipeline = replay(
            folder,
            on_progress=lambda share: status.update(f"reading the journal: {share:.0%}"),
        )
        reason, last = ended_how(folder, record, pipeline, unverified)
        source = SurveySource(pipeline, reason=reason, last=last)
    if reason:
        say(reason)
    asyncio.run(
        serve_survey(
            source, settings, on_open=lambda url: say(f"page: {url}\nCtrl-C ends it", style="bold")
        )
    )
    end_showing(folder, record, unverified)
