"""Writing a drawing: next to the survey, or where the user wants it."""

from __future__ import annotations

import io
from pathlib import Path
from textwrap import fill

from matplotlib.figure import Figure

from swathe.errors import SurveyError
from swathe.object_storage import files_of
from swathe.store import DigestLog, SurveyFolder, unverified_reason

__all__ = ["save_drawing"]

# Of a line above the drawing.
_CHARACTERS = 110


def save_drawing(figure: Figure, folder: SurveyFolder, name: str, path: Path | None) -> Path:
    """Write a figure as PNG; return its path.

    Where the survey's files are not verified, the drawing states that and the reason.

    Args:
        figure: the drawing.
        folder: the survey.
        name: of the file in the survey's folder; a link of that name is replaced, not followed.
        path: where it is written instead.

    Raises:
        SurveyError: it cannot be written.
    """
    if reason := unverified_reason(folder):
        words = fill(f"NOT VERIFIED: {reason}", _CHARACTERS)
        figure.text(0.5, 1.02, words, ha="center", va="bottom", fontsize=9, fontweight="bold")
    stream = io.BytesIO()
    figure.savefig(stream, dpi=110, bbox_inches="tight", format="png")
    if path is None and folder.stored_away:
        message = (
            "is on object storage, where nothing is written: name the drawing's file with --out"
        )
        raise SurveyError(folder.path, message)
    target = folder.path / name if path is None else path
    try:
        if path is None:
            log = DigestLog(files_of(folder.path))
            if name == folder.picture.name:
                with log.writing([name]):
                    log.replace(name, stream.getvalue())
            else:
                log.replace(name, stream.getvalue())
        else:
            path.write_bytes(stream.getvalue())
    except OSError as error:
        raise SurveyError(target, f"cannot be written: {error.strerror}") from error
    return target
