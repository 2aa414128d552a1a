"""One station for several areas: tables shared by an included file, and the area that is scanned.

A station file may name another one with ``include``, which has tables that several station files
share, such as the devices. It may hold an ``[area.NAME]`` for each area that is scanned with them:
tables in it hold instead of those of the same name outside, key by key.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ConfigDict

from swathe.errors import Problem
from swathe_drivers import toml_excerpt

__all__ = ["Chosen", "ResolvedTables", "resolve_tables"]

_NOT_INCLUDED: Final = ("name", "include", "area")
"""Keys that belong to the station file itself."""


class Chosen(BaseModel):
    """What was chosen for a run in addition to the text of its station file; goes into the journal.

    Attributes:
        area: name of the area; empty where the file has none.
        operator: who scans, instead of the file's `survey.operator`; empty where that holds.
        included: text of the file that `include` names; None without one.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    area: str = ""
    operator: str = ""
    included: str | None = None


@dataclass(frozen=True)
class ResolvedTables:
    """The tables in force.

    Attributes:
        tables: with those of the included file and of the area in place.
        chosen: as given, with the text of the included file.
        problems: what is wrong with `include` and `area`.
    """

    tables: dict[str, Any]
    chosen: Chosen
    problems: list[Problem]
    _included: dict[str, Any] = field(default_factory=dict)
    _own: dict[str, Any] = field(default_factory=dict)

    def place(self, problem: Problem) -> Problem:
        """Return a problem with the place at which its key is written: the area, or the other file."""
        path = problem.key.split(".")
        area = self.chosen.area
        if area and _holds(self._own.get("area", {}).get(area), path):
            return replace(problem, key=f"area.{area}.{problem.key}")
        if not _holds(self._own, path) and _holds(self._included, path):
            return replace(problem, key=f"{self._own['include']}: {problem.key}")
        return problem


def resolve_tables(
    tables: dict[str, Any], chosen: Chosen, *, folder: Path | None
) -> ResolvedTables:
    """Put an included file's tables, the chosen area's and the operator in place.

    Args:
        tables: of the station file; left as they are.
        chosen: for the run; its text of the included file is used where `folder` is None.
        folder: where the included file is looked for.
    """
    problems: list[Problem] = []
    text, included = chosen.included, dict[str, Any]()
    if isinstance(tables.get("include"), str):
        text, included, problems = _included(tables["include"], text, folder)
    merged = _merged(included, tables)
    areas = tables.get("area")
    if isinstance(areas, dict):
        merged, found = _put_area(merged, areas, chosen.area)
        problems += found
    elif chosen.area:
        remedy = f"add [area.{chosen.area}], or leave the area out"
        problems.append(Problem("area", "must be in the station file", chosen.area, remedy))
    if chosen.operator:
        merged = _merged(merged, {"survey": {"operator": chosen.operator}})
    return ResolvedTables(
        tables=merged,
        chosen=chosen.model_copy(update={"included": text}),
        problems=problems,
        _included=included,
        _own=tables,
    )


def _included(
    name: str, text: str | None, folder: Path | None
) -> tuple[str | None, dict[str, Any], list[Problem]]:
    """Return the text and the tables of an included file, and what is wrong with it."""
    try:
        if folder is not None:
            text = (folder / name).read_text(encoding="utf-8")
        if text is None:
            return None, {}, [Problem("include", "must be in the journal", name)]
        found = tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as error:
        requirement = f"must name a readable TOML file: {error}"
        return None, {}, [Problem("include", requirement, name, "relative to this file")]
    except tomllib.TOMLDecodeError as error:
        shown = toml_excerpt(text or "", error)
        return None, {}, [Problem(name, "must be TOML", str(error), excerpt=shown)]
    problems = [
        Problem(f"{name}: {key}", "must be in the station file itself", found.pop(key))
        for key in _NOT_INCLUDED
        if key in found
    ]
    return text, found, problems


def _put_area(
    tables: dict[str, Any], areas: Mapping[str, Any], area: str
) -> tuple[dict[str, Any], list[Problem]]:
    """Return the tables with those of an area in place, and what is wrong with the choice."""
    names = ", ".join(areas)
    if not area:
        return tables, [Problem("area", "must be chosen", None, f"--area with one of: {names}")]
    own = areas.get(area)
    if not isinstance(own, dict):
        return tables, [Problem("area", f"must be one of: {names}", area)]
    problems = [
        Problem(f"area.{area}.{key}", "must be outside of the areas", own[key])
        for key in _NOT_INCLUDED
        if key in own
    ]
    merged = _merged(tables, {key: own[key] for key in own if key not in _NOT_INCLUDED})
    survey = merged.get("survey")
    own_folder = isinstance(own.get("survey"), dict) and "folder" in own["survey"]
    if isinstance(survey, dict) and isinstance(survey.get("folder"), str) and not own_folder:
        merged["survey"] = {**survey, "folder": f"{survey['folder']}/{area}"}
    return merged, problems


def _merged(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Return both tables in one, key by key; where both have a value, that of `above` holds."""
    merged = dict(below)
    for key, value in above.items():
        before = merged.get(key)
        both = isinstance(value, dict) and isinstance(before, dict)
        merged[key] = _merged(before, value) if both and before is not None else value
    return merged


def _holds(table: object, path: list[str]) -> bool:
    """Return whether a table has the key that a path leads to."""
    for name in path:
        if not isinstance(table, dict) or name.partition("[")[0] not in table:
            return False
        table = table[name.partition("[")[0]]
    return True
