r"""Settings of lines without separators: by the places of their columns, or by a pattern."""

import re
from typing import Annotated, Final

from pydantic import AfterValidator, Field

from swathe_drivers.delimited.columns import AnyColumn
from swathe_drivers.delimited.settings import TextLineSettings, check_latin
from swathe_drivers.kinds import MOST_KINDS
from swathe_drivers.patterns import MAX_WORK, LinePattern, PatternError
from swathe_drivers.settings import SettingProblem, problem
from swathe_drivers.talk.settings import KindOfRecord

_PLACE: Final = re.compile(r"([1-9][0-9]{0,4})(?:-([1-9][0-9]{0,4}))?")

Columns = Annotated[dict[str, AnyColumn], Field(max_length=64)]


def _check_places(columns: dict[str, AnyColumn]) -> dict[str, AnyColumn]:
    for text in columns:
        found = _PLACE.fullmatch(text)
        if found is None or (found[2] is not None and int(found[2]) < int(found[1])):
            raise problem(f"must have keys such as '1-6' or '8', which {text!r} is not")
    return columns


PlacedColumns = Annotated[Columns, AfterValidator(_check_places)]


class FixedColumnsRecord(KindOfRecord):
    """One kind of lines among others."""

    columns: Annotated[PlacedColumns, Field(min_length=1)]


class FixedColumnsSettings(TextLineSettings):
    """A line whose columns stand at fixed places.

    The keys of `columns` are places as manuals tell them: `"1-6"` are the first six characters,
    `"8"` is the eighth. Spaces around a text don't count; what is elsewhere may be anything.
    """

    columns: PlacedColumns = Field(default={})
    record: tuple[FixedColumnsRecord, ...] = Field(default=(), max_length=MOST_KINDS)

    @property
    def every(self) -> tuple[AnyColumn, ...]:
        """What is in a line, with the columns of all gates."""
        return tuple(self.columns.values())

    @property
    def places(self) -> list[tuple[int, int]]:
        """For each column its first byte, from 0, and the one behind its last."""
        return [_place(text) for text in self.columns]

    def _place_of(self, index: int) -> str:
        return f"characters {list(self.columns)[index]}"

    def _key_of(self, index: int) -> str:
        return list(self.columns)[index]

    def _texts_at(self) -> dict[str | int, str]:
        # Where columns of two kinds begin at the same place they are compared there.
        first = {text: self.places[index][0] for index, text in enumerate(self.columns)}
        return {first[str(key)]: text for key, text in super()._texts_at().items()}

    def _own_problems(self) -> list[SettingProblem]:
        return [
            (("columns", key), f"must end within 'max_length', which is {self.max_length}", key)
            for key, (_, end) in zip(self.columns, self.places, strict=True)
            if end > self.max_length
        ]


def _place(text: str) -> tuple[int, int]:
    found = _PLACE.fullmatch(text)
    assert found is not None  # noqa: S101  checked when the settings were read
    first = int(found[1])
    return first - 1, int(found[2] or first)


def _check_pattern(text: str) -> str:
    try:
        if text:
            LinePattern(check_latin(text))
    except PatternError as error:
        raise problem(str(error)) from None
    return text


PatternText = Annotated[str, Field(max_length=2048), AfterValidator(_check_pattern)]


class PatternRecord(KindOfRecord):
    """One kind of lines among others."""

    pattern: Annotated[PatternText, Field(min_length=1)]
    columns: Annotated[Columns, Field(min_length=1)]


class PatternSettings(TextLineSettings):
    """A line that fits a regular expression.

    `pattern` is one of Python's, for a whole line without its checksum, with a named group for
    each key of `columns`. A group that takes no part is empty. It is matched in time proportional to
    the line; what cannot be, such as look-around, is refused. See `swathe_drivers.patterns`.
    """

    pattern: PatternText = ""
    columns: Columns = Field(default={})
    record: tuple[PatternRecord, ...] = Field(default=(), max_length=MOST_KINDS)

    @property
    def every(self) -> tuple[AnyColumn, ...]:
        """What is in a line, with the columns of all gates."""
        return tuple(self.columns.values())

    @property
    def identifies(self) -> bool:
        """A line has to fit the pattern; whether that of another request does, too, is not known."""
        return True

    @property
    def compiled(self) -> LinePattern:
        """The pattern, for bytes."""
        return LinePattern(self.pattern)

    def _place_of(self, index: int) -> str:
        return f"group {list(self.columns)[index]!r}"

    def _key_of(self, index: int) -> str:
        return list(self.columns)[index]

    def takes_all_of(self, other: TextLineSettings) -> bool:
        """Whether the patterns are equal; whether a line fits both, nobody knows: the first counts."""
        return isinstance(other, PatternSettings) and self.pattern == other.pattern

    def _line_problems(self) -> list[SettingProblem]:
        if self.record and self.pattern:
            return [(("pattern",), "must be in each 'record', and not here", self.pattern)]
        if not self.record and not self.pattern:
            return [(("pattern",), "must be given", None)]
        return []

    def _own_problems(self) -> list[SettingProblem]:
        compiled = self.compiled
        groups = compiled.groups
        found: list[SettingProblem] = [
            (("columns", key), "must be the name of a group of the pattern, (?P<name>...)", key)
            for key in self.columns
            if key not in groups
        ]
        if unused := sorted(groups.keys() - self.columns.keys()):
            requirement = "must have a column for each group; use 'ignore', or (?:...) as a group"
            found.append((("pattern",), requirement, unused))
        if (longest := MAX_WORK // compiled.size) < self.max_length:
            requirement = (
                f"must be <= {longest} for this pattern of {compiled.size} steps; shorten the pattern,"
                " or make it repeat less"
            )
            found.append((("max_length",), requirement, self.max_length))
        return found
