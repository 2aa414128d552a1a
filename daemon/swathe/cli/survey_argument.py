"""Surveys as arguments of commands that only read them: folders, or URLs of object storage."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.object_storage import survey_path

__all__ = ["SurveyArgument"]

SurveyArgument = Annotated[
    Path,
    typer.Argument(
        parser=survey_path,
        metavar="SURVEY",
        help="The survey folder, or its URL, such as s3://surveys/penstock-3.",
    ),
]
