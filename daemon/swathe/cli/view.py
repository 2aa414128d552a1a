"""``swathe view SURVEY``: a finished survey on the page."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import app, console, say, warn_unverified
from swathe.cli.read_survey import end_showing, verified_survey
from swathe.cli.survey_argument import SurveyArgument
from swathe.errors import SwatheError
from swathe.object_storage import survey_path

if TYPE_CHECKING:
    from swathe.page.result import ResultFile

__all__ = ["difference_picture", "view"]


@app.command()
def view(
    survey: SurveyArgument,
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
    earlier: Annotated[
        Path | None,
        typer.Option(
            "--with",
            parser=survey_path,
            metavar="SURVEY",
            help="An earlier survey of the part: its difference map is shown.",
        ),
    ] = None,
    align: Annotated[
        str,
        typer.Option(help="With --with: pair places by the 'datum', or by the wall's 'pattern'."),
    ] = "datum",
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
        if earlier is not None:
            status.update("comparing the surveys")
        files = [] if earlier is None else [difference_picture(earlier, survey, align)]
    if reason:
        say(reason)
    asyncio.run(
        serve_survey(
            source,
            settings,
            on_open=lambda url: say(f"page: {url}\nCtrl-C ends it", style="bold"),
            files=files,
            where=str(folder.path.resolve()),
        )
    )
    end_showing(folder, record, unverified)


def difference_picture(earlier: Path, later: Path, align: str) -> ResultFile:
    """Return the picture of the difference between two surveys, as `swathe compare` draws it.

    Raises:
        SurveyError: one of them is missing or damaged.
        SwatheError: they cannot be compared, or there is no such way to pair places.
    """
    from tempfile import TemporaryDirectory

    from swathe.comparison import DatedSurvey, compare_dated
    from swathe.page.result import ResultFile
    from swathe.report.difference_picture import draw_comparison
    from swathe.store import SurveyFolder

    if align not in ("datum", "pattern"):
        message = f"'--align' must be 'datum' or 'pattern' (got {align!r})"
        raise SwatheError(message)
    surveys = [DatedSurvey.of_folder(SurveyFolder(path)) for path in (earlier, later)]
    warn_unverified(earlier, surveys[0].unverified)
    found = compare_dated(surveys, align="pattern" if align == "pattern" else "datum")
    with TemporaryDirectory() as folder:
        drawn = draw_comparison(found, Path(folder) / "difference.png").read_bytes()
    title = f"Difference to {earlier.resolve().name}, paired by the {align}"
    return ResultFile("difference.png", title, "image/png", drawn)
