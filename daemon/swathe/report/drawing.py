"""Writing a drawing: next to the survey, or where the user wants it."""

from __future__ import annotations

import io
from pathlib import Path

from matplotlib.figure import Figure

from swathe.errors import SurveyError
from swathe.safe_files import SafeFolder
from swathe.store import DigestLog, SurveyFolder

__all__ = ["save_drawing"]


def save_drawing(figure: Figure, folder: SurveyFolder, name: str, path: Path | None) -> Path:
    """Write a figure as PNG; return its path.

    Args:
        figure: the drawing.
        folder: the survey.
        name: of the file in the survey's folder; a link of that name is replaced, not followed.
        path: where it is written instead.

    Raises:
        SurveyError: it cannot be written.
    """
    stream = io.BytesIO()
    figure.savefig(stream, dpi=110, bbox_inches="tight", format="png")
    target = folder.path / name if path is None else path
    try:
        if path is None:
            log = DigestLog(SafeFolder(folder.path))
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
