"""The surveys of one part below some folders, in the order of their dates."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from swathe.comparison.dated import DatedSurvey, SurveyDate
from swathe.comparison.trend import one_part
from swathe.errors import SwatheError
from swathe.many_surveys import Scheduler, over_surveys
from swathe.object_storage import survey_path
from swathe.store import SurveyFolder, surveys_below

__all__ = ["dates_of_part"]


def dates_of_part(
    paths: Sequence[Path],
    *,
    part: str = "",
    area: str = "",
    scheduler: Scheduler | None = None,
) -> list[SurveyDate]:
    """Return the dates of the surveys of one part, the oldest first.

    Args:
        paths: survey folders, or folders with surveys at any depth.
        part: of which part, by its name in their records; all of them are of one unless given.
        area: of which area of the station file.
        scheduler: see `over_surveys`.

    Raises:
        SurveyError: a folder is missing, or a survey is damaged.
        SwatheError: there is none, or they are of several parts; the text lists them.
    """
    folders: dict[Path, SurveyFolder] = {}
    for path in paths:
        folder = SurveyFolder(path)
        for one in [folder] if folder.begun else surveys_below(path):
            folders.setdefault(one.path.resolve(), one)
    names = [str(folder.path) for folder in folders.values()]
    found = list(over_surveys(_date, names, scheduler=scheduler))
    chosen = [
        one for one in found if (not part or one.part == part) and (not area or one.area == area)
    ]
    if not chosen:
        known = ", ".join(sorted({repr(one.part) for one in found})) or "none"
        message = f"no survey of that part below {', '.join(map(str, paths))}: there are {known}"
        raise SwatheError(message)
    one_part([(one.part, one.area) for one in chosen])
    return sorted(chosen, key=lambda one: one.moment)


def _date(name: str) -> SurveyDate:
    return SurveyDate.of(DatedSurvey.of_folder(SurveyFolder(survey_path(name))))
