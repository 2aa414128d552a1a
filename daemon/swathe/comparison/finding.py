"""The surveys of one part below some folders, in the order of their dates."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from swathe.comparison.dated import DatedSurvey
from swathe.comparison.trend import one_part
from swathe.errors import SwatheError
from swathe.store import SurveyFolder, surveys_below

__all__ = ["surveys_of_part"]


def surveys_of_part(
    paths: Sequence[Path], *, part: str = "", area: str = "", shared: float | None = None
) -> list[DatedSurvey]:
    """Return the surveys of one part, the oldest first.

    Args:
        paths: survey folders, or folders with surveys at any depth.
        part: of which part, by its name in their records; all of them are of one unless given.
        area: of which area of the station file.
        shared: standard uncertainty that all readings of a survey share, mm, where stated.

    Raises:
        SurveyError: a folder is missing, or a survey is damaged.
        SwatheError: there is none, or they are of several parts; the text lists them.
    """
    folders: dict[Path, SurveyFolder] = {}
    for path in paths:
        folder = SurveyFolder(path)
        for one in [folder] if folder.begun else surveys_below(path):
            folders.setdefault(one.path.resolve(), one)
    found = [DatedSurvey.of_folder(folder, shared=shared) for folder in folders.values()]
    records = [(one, one.record) for one in found if one.record is not None]
    chosen = [
        (one, record)
        for one, record in records
        if (not part or record.part == part) and (not area or record.area == area)
    ]
    if not chosen:
        names = ", ".join(sorted({repr(record.part) for _, record in records})) or "none"
        message = f"no survey of that part below {', '.join(map(str, paths))}: there are {names}"
        raise SwatheError(message)
    one_part([(record.part, record.area) for _, record in chosen])
    return sorted((one for one, _ in chosen), key=lambda one: one.moment)
