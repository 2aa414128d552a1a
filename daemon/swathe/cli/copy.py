"""``swathe copy SURVEY URL``: a survey's copy on object storage, made or completed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, say

__all__ = ["copy", "say_comparison"]


@app.command()
def copy(
    survey: Annotated[Path, typer.Argument(help="The survey folder.")],
    to: Annotated[
        str,
        typer.Argument(
            metavar="URL", help="Of the copy itself: s3://BUCKET/PREFIX or file:///FOLDER."
        ),
    ],
) -> None:
    """Copy a survey to object storage, or complete a copy, and read it back to verify it.

    What the copy has as it is is not sent again. Exit code 0: every file of the copy has the SHA-256
    of the original; 1: it has not.
    """
    from swathe.copying import CopyTarget, Uploader
    from swathe.errors import SurveyError
    from swathe.store import SurveyFolder

    folder = SurveyFolder(survey)
    folder.require()
    if folder.written_now:
        message = "a run writes to it: copy it when that has ended, or name its copy in [copy]"
        raise SurveyError(survey, message)
    target = CopyTarget.of(to)
    uploader = Uploader(survey, target)
    with console.status("copying") as status:
        uploader.send_new(ended=True)
        status.update("reading the copy back")
        found = uploader.verify()
    say(f"sent {found.sent:,} bytes")
    if found.verified:
        say(f"copy: {found.files} files verified by SHA-256 at {target.url}")
        raise typer.Exit(Exit.OK)
    for name in found.differs:
        say(f"copy: differs: {name}")
    raise typer.Exit(Exit.ERROR)


def say_comparison(survey: Path, url: str) -> bool:
    """Print what a survey and its copy differ by; return whether they are equal.

    Raises:
        SwatheError: the storage cannot be reached, or the URL is none.
    """
    from swathe.copying import CopyTarget, compare_copy
    from swathe.pipeline.progress.fields import count_text

    target = CopyTarget.of(url)
    with console.status("reading the survey and its copy"):
        found = compare_copy(survey, target)
    for text, names in (
        ("is not in the copy", found.missing),
        ("differs in the copy", found.changed),
        ("is in the copy only", found.extra),
    ):
        for name in names:
            say(f"{name} {text}")
    say(
        f"copy {target.url}: {count_text(found.files, 'file')}, {found.bytes:,} bytes, equal by SHA-256"
    )
    return found.equal
