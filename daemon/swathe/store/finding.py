"""The surveys below a folder."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from swathe.errors import SurveyError
from swathe.object_storage import ObjectPath
from swathe.store.folder import SurveyFolder

__all__ = ["surveys_below"]

_PARTS = ("journal", "survey.zarr")


def surveys_below(path: Path) -> Iterator[SurveyFolder]:
    """Yield the surveys in a folder and in the folders below it, by path; the folder may be one.

    Raises:
        SurveyError: there is no such folder; check the path.
    """
    if not path.is_dir():
        message = "there is no such folder"
        raise SurveyError(path, message)
    if isinstance(path, ObjectPath):
        yield from _below(path)
        return
    for here, folders, _ in os.walk(path):
        folder = SurveyFolder(Path(here))
        if folder.begun:
            yield folder
        folders[:] = sorted(name for name in folders if _may_hold(name))


def _below(path: ObjectPath) -> Iterator[SurveyFolder]:
    names = path.entries()[0]
    if "journal" in names and (folder := SurveyFolder(path)).begun:
        yield folder
    for name in names:
        if _may_hold(name):
            yield from _below(path / name)


def _may_hold(name: str) -> bool:
    return name not in _PARTS and not name.startswith(".")
