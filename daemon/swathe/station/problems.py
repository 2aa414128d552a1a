"""From a validator's error list to problems that name key, requirement, value and remedy."""

from __future__ import annotations

import difflib
import re
import typing
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from pydantic import BaseModel

from swathe.errors import Problem
from swathe_drivers import SettingsError

__all__ = ["as_written", "problems_of", "unknown_key"]


def problems_of(error: SettingsError, annotation: object = None) -> list[Problem]:
    """Return every problem that `error` holds.

    Args:
        error: what was found.
        annotation: the validated type, so that a misspelt key is answered with the known ones.
    """
    return [
        unknown_key(problem.key, problem.value, _fields_at(annotation, problem.key.split(".")[1:]))
        if problem.is_unknown_key
        else Problem(problem.key, _plain(problem.requirement), problem.value)
        for problem in (error, *error.others)
    ]


def _plain(requirement: str) -> str:
    """Return a validator's requirement in the words of a settings file."""
    if requirement.startswith("must be a valid dictionary"):
        return "must be a table"
    inner = requirement.removeprefix("must be valid: ")  # our own checks say all of it themselves
    return inner if inner.startswith("must be ") else requirement


def as_written(problems: Iterable[Problem], tables: dict[str, Any]) -> list[Problem]:
    """Return the problems with each value as it is in `tables`, not as it was converted."""
    return [
        replace(problem, got=_value_at(tables, problem.key, problem.got)) for problem in problems
    ]


def _value_at(tables: dict[str, Any], key: str, otherwise: object) -> object:
    """Return the value at a dotted `key` with ``[numbers]``, or else `otherwise`."""
    here: Any = tables
    for name, number in re.findall(r"([^.\[\]]+)|\[(\d+)\]", key):
        try:
            here = here[int(number)] if number else here[name]
        except (KeyError, IndexError, TypeError):
            return otherwise
    return here


def unknown_key(key: str, got: object, known: Sequence[str]) -> Problem:
    """Return the problem of a key that nobody knows, with the nearest one that is known."""
    near = difflib.get_close_matches(key.rpartition(".")[2], known, n=1)
    if near:
        remedy = f"did you mean '{near[0]}'?"
    else:
        remedy = f"known here: {', '.join(sorted(known))}" if known else "remove it"
    return Problem(key, "is not a known key", got, remedy)


def _fields_at(annotation: object, path: Iterable[str]) -> list[str]:
    """Return the known keys of the table at `path` below `annotation`, if it is known."""
    *tables, _ = path
    for part in tables:
        model = _model_in(annotation)
        field = model.model_fields.get(part.partition("[")[0]) if model else None
        # A user's own name in a table of tables leads no further down.
        annotation = field.annotation if field else annotation
    model = _model_in(annotation)
    return list(model.model_fields) if model else []


def _model_in(annotation: object) -> type[BaseModel] | None:
    """Return the first model within a type such as ``X | None`` or ``dict[str, X]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in typing.get_args(annotation):
        if found := _model_in(argument):
            return found
    return None
