"""What commands that show a survey on disk begin and end with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import typer

from swathe.cli.app import Exit, errors, warn_unverified

if TYPE_CHECKING:
    from swathe.store import SurveyFolder, SurveyRecord

__all__ = ["end_showing", "verified_survey"]


def verified_survey(survey: Path) -> tuple[SurveyFolder, SurveyRecord, str]:
    """Return a survey's folder and record, and why it is not verified, which is printed; else "".

    Raises:
        SurveyError: it is missing or holds no survey.
    """
    from swathe.store import SurveyFolder, read_verified_record

    folder = SurveyFolder(survey)
    folder.require()
    record, unverified = read_verified_record(folder)
    warn_unverified(folder.path, unverified)
    return folder, record, unverified


def end_showing(folder: SurveyFolder, record: SurveyRecord, unverified: str) -> NoReturn:
    """Print what is damaged and not in the record, and end with the survey's exit code."""
    from swathe.store import damage_since

    for text in (unlisted := damage_since(folder, record)):
        errors.print(text, style="bold", soft_wrap=True, highlight=False, markup=False)
    if record.journal_damage or unlisted:
        raise typer.Exit(Exit.JOURNAL_DAMAGED)
    raise typer.Exit(Exit.OK if record.target_reached and not unverified else Exit.NOT_COVERED)
