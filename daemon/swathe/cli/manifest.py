"""``swathe manifest SURVEY``: the SHA-256 of every file, for hand-over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, say
from swathe.cli.survey_argument import SurveyArgument

__all__ = ["manifest"]


@app.command()
def manifest(
    survey: SurveyArgument,
    key: Annotated[
        Path | None, typer.Option(help="SSH key to sign with, by OpenSSH's ssh-keygen.")
    ] = None,
    as_it_is: Annotated[
        bool, typer.Option("--as-it-is", help="Write it of a survey that is damaged, too.")
    ] = False,
) -> None:
    """Write MANIFEST.sha256 into a survey: a list that `sha256sum -c` compares with the files.

    Of a survey on object storage the list is printed: `diff` compares it with the original's.

    The survey is verified before. Exit code 0: the manifest is written; 1: it is not, or the survey
    is not verified; 5: its journal is damaged.
    """
    from swathe.report.survey_check import survey_check_lines
    from swathe.store import (
        SurveyFolder,
        check_survey,
        manifest_text,
        sign_manifest,
        write_manifest,
    )

    folder = SurveyFolder(survey)
    folder.require()
    if folder.stored_away:
        with console.status("reading the survey"):
            text = manifest_text(folder)
        typer.echo(text, nl=False)
        return
    with folder, console.status("reading the survey"):
        found = check_survey(folder)
        for line in survey_check_lines(folder, found):
            say(line)
        code = Exit.OK
        if not found.good:
            code = Exit.JOURNAL_DAMAGED if found.damage else Exit.ERROR
            if not as_it_is:
                say("no manifest is written: give --as-it-is to write it all the same")
                raise typer.Exit(code)
        written = write_manifest(folder)
    say(f"manifest: {written}")
    if key is not None:
        say(f"signature: {sign_manifest(written, key)}")
    raise typer.Exit(code)
