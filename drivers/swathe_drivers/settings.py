"""Turns the errors of pydantic into this package's one shape of message."""

from collections.abc import Mapping, Sequence
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError

from swathe_drivers.errors import UNKNOWN_KEY, SettingsError

_Model = TypeVar("_Model", bound=BaseModel)

PROBLEM: Final = "requirement"
"""Type of the errors that our own validators raise; see `problem`."""

_REQUIREMENTS: Final[Mapping[str, str]] = {
    "missing": "must be given",
    "greater_than": "must be > {gt}",
    "greater_than_equal": "must be >= {ge}",
    "less_than": "must be < {lt}",
    "less_than_equal": "must be <= {le}",
    "finite_number": "must be a finite number",
    "literal_error": "must be {expected}",
    "union_tag_invalid": "must be one of {expected_tags}",
    "union_tag_not_found": "must be given",
    "extra_forbidden": UNKNOWN_KEY,
    "string_pattern_mismatch": "must match {pattern}",
    "string_too_short": "must have at least {min_length} character(s)",
    "string_too_long": "must have at most {max_length} character(s)",
    "too_short": "must have at least {min_length} item(s)",
    "too_long": "must have at most {max_length} item(s)",
}


def problem(requirement: str) -> PydanticCustomError:
    """The error for a validator to raise; `requirement` reads like `must be > 0`."""
    return PydanticCustomError(PROBLEM, "{requirement}", {"requirement": requirement})


SettingProblem = tuple[tuple[str | int, ...], str, object]
"""Path in the table, requirement and value of a problem that a validator found."""


class SettingsTable(BaseModel):
    """A table of a driver's settings: unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def raise_problems(table: SettingsTable, found: Sequence[SettingProblem]) -> None:
    """End a validator of the whole table; harmless without problems.

    Raises:
        ValidationError: carries every problem; `settings_error` makes it readable.
    """
    if found:
        raise ValidationError.from_exception_data(
            type(table).__name__,
            [
                InitErrorDetails(
                    type=PydanticCustomError(
                        PROBLEM, "{requirement}", {"requirement": requirement, "has_key": True}
                    ),
                    loc=path,
                    input=value,
                )
                for path, requirement, value in found
            ],
        )


def read_settings(model: type[_Model], values: object, *, key: str) -> _Model:
    """Check `values` (a table of a settings file) and build the model.

    Args:
        model: model to build.
        values: the table.
        key: dotted path of the table, put before the names in messages; may be empty.

    Raises:
        SettingsError: carries every problem found; correct the settings.
    """
    try:
        return model.model_validate(values)
    except ValidationError as error:
        raise settings_error(error, values, key=key) from error


def settings_error(error: ValidationError, values: object, *, key: str) -> SettingsError:
    """The same problems as `error`, in one `SettingsError` with dotted keys."""
    problems = [
        SettingsError(_dotted(key, _location(detail, values)), _requirement(detail), _got(detail))
        for detail in error.errors(include_url=False)
        if not _is_echo(detail)
    ]
    first = problems[0]
    return SettingsError(first.key, first.requirement, first.value, others=problems[1:])


def _location(detail: ErrorDetails, values: object) -> list[str | int]:
    """Path of the value in the user's table, without the tags of unions that pydantic adds."""
    location: list[str | int] = []
    here: Any = values
    last = len(detail["loc"]) - 1
    ends_in_key = detail["type"] == "missing" or "has_key" in detail.get("ctx", {})
    for index, step in enumerate(detail["loc"]):
        if isinstance(here, Mapping):
            if step in here:
                here = here[step]
            elif index < last or not ends_in_key:
                continue
        elif isinstance(here, Sequence) and not isinstance(here, str) and isinstance(step, int):
            here = here[step] if step < len(here) else None
        elif not isinstance(step, int):
            continue
        location.append(step)
    if detail["type"].startswith("union_tag"):
        location.append(_tag_name(detail))
    return location


def _tag_name(detail: ErrorDetails) -> str:
    """The user's name of the setting that selects the model of a union is meant."""
    names = str(detail["ctx"]["discriminator"])  # reads: 'field' | 'alias'
    return names.rsplit(" | ", maxsplit=1)[-1].strip("'")


def _got(detail: ErrorDetails) -> object:
    if detail["type"] == "union_tag_invalid":
        return detail["ctx"]["tag"]
    if detail["type"] in ("union_tag_not_found", "missing"):
        return None
    return detail["input"]


def _is_echo(detail: ErrorDetails) -> bool:
    """A list called too short only because its items are faulty, each reported by itself."""
    return detail["type"] == "too_short" and len(detail["input"]) >= detail["ctx"]["min_length"]


def _dotted(key: str, location: Sequence[str | int]) -> str:
    text = key
    for step in location:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            text += f".{step}" if text else step
    return text


def _requirement(detail: ErrorDetails) -> str:
    context = detail.get("ctx", {})
    if detail["type"] == PROBLEM:
        return str(context["requirement"])
    template = _REQUIREMENTS.get(detail["type"])
    if template is not None:
        return template.format(**context)
    message = detail["msg"].removeprefix("Value error, ")
    if message.startswith("Input should be "):
        return "must be " + message.removeprefix("Input should be ")
    return "must be valid: " + message[:1].lower() + message[1:]
