r"""Settings of delimited lines: what is in each column.

All texts stand for bytes one to one (Latin-1), so that a control character can be written as
`"\u0003"`.
"""

from abc import ABC, abstractmethod
from typing import Annotated, Final, Literal, Self

from pydantic import ConfigDict, Field, field_validator, model_validator

from swathe_drivers.columns import (
    AmplitudeValue,
    Constant,
    Counts,
    DeviceTime,
    IndexMark,
    LimitedValue,
    PositionValue,
    Quadrature,
    ReadingStatus,
    RunningNumber,
    ThicknessValue,
    TimeOfFlightValue,
    kind_and_axis,
    record_problems,
)
from swathe_drivers.framing import MAX_TERMINATOR
from swathe_drivers.settings import SettingProblem, SettingsTable, problem, raise_problems
from swathe_drivers.units import TIME_POWERS

_MAX_COUNT_BITS: Final = 52
_MAX_BYTE: Final = "\xff"

ColumnText = Annotated[str, Field(max_length=64)]


class ConstantColumn(Constant):
    """A text that never changes; a line in which it differs is of another kind."""

    text: ColumnText


class DeviceTimeColumn(DeviceTime):
    """The device's own clock. With `bits` it counts units and starts again at 2**bits."""

    bits: int | None = Field(default=None, ge=8, le=62)

    @property
    def wrap_ns(self) -> int | None:
        """Time after which it starts again at 0, ns; None if it never does."""
        return None if self.bits is None else (1 << self.bits) * 10 ** TIME_POWERS[self.unit]


class _MayBeMissing(SettingsTable):
    no_echo: tuple[float | ColumnText, ...] = ()
    """Numbers or texts that the device sends when it has no echo."""
    empty: Literal["fault", "no_echo"] = "fault"
    """What an empty column means."""


class TimeOfFlightColumn(_MayBeMissing, TimeOfFlightValue):
    """Time of flight; `min`, `max` and `no_echo` are in `unit`."""


class ThicknessColumn(_MayBeMissing, ThicknessValue):
    """Thickness; `min`, `max` and `no_echo` are in `unit`."""


class AmplitudeColumn(AmplitudeValue):
    """Amplitude of the echo, in percent of full screen height or as a fraction of it."""

    empty: Literal["fault", "absent"] = "fault"
    """What an empty column means."""


class StatusColumn(ReadingStatus):
    """A text that shows whether the reading is valid."""

    valid: tuple[ColumnText, ...] = Field(min_length=1)
    invalid: tuple[ColumnText, ...] = ()


class CountsColumn(Counts):
    """Raw count of an encoder. With `bits` it rolls over; that is undone by the daemon."""

    bits: int | None = Field(default=None, ge=4, le=_MAX_COUNT_BITS)
    signed: bool = False

    @property
    def width(self) -> int | None:
        """Bits at which it rolls over; None if it never does."""
        return self.bits


class Ignore(SettingsTable):
    """A column that means nothing here; it may hold anything."""

    kind: Literal["ignore"] = Field(alias="is")


AnyColumn = Annotated[
    ConstantColumn
    | DeviceTimeColumn
    | TimeOfFlightColumn
    | ThicknessColumn
    | AmplitudeColumn
    | StatusColumn
    | CountsColumn
    | PositionValue
    | Quadrature
    | IndexMark
    | RunningNumber
    | Ignore,
    Field(discriminator="kind"),
]


def check_latin(text: str) -> str:
    """`text` itself, if each of its characters is one byte."""
    if any(char > _MAX_BYTE for char in text):
        raise problem("must consist of characters up to U+00FF, one byte each")
    return text


class LineChecksum(SettingsTable):
    """A checksum at the end of the line: two hexadecimal digits after a marker."""

    model_config = ConfigDict(extra="forbid", frozen=True, serialize_by_alias=True)

    kind: Literal["xor", "sum8"]
    """Exclusive or of the bytes, or their sum modulo 256."""
    after: Annotated[str, Field(min_length=1, max_length=4)]
    """The marker; it is not itself summed up."""
    first: int = Field(default=0, alias="from", ge=0, le=64)
    """First byte of the line that is summed up, counted from 0."""


class TextLineSettings(SettingsTable, ABC):
    """Lines of text; the drivers differ in how they find what is in a line."""

    terminator: str = Field(default="\r\n", min_length=1, max_length=MAX_TERMINATOR)
    max_length: int = Field(default=256, ge=4, le=65536)
    """The most bytes of a line, without its terminator."""
    checksum: LineChecksum | None = None
    other_lines: Literal["fault", "ignore"] = "fault"
    """What to make of a line of another kind: whose constant columns differ, say."""

    @property
    @abstractmethod
    def in_order(self) -> tuple[AnyColumn, ...]:
        """What is in a line."""

    def name_of(self, index: int) -> str:
        """How messages call one of these."""
        return f"{self._place_of(index)} ({kind_and_axis(self.in_order[index])})"

    def _place_of(self, index: int) -> str:
        return f"column {index + 1}"

    def _key_of(self, index: int) -> str | int:
        return index

    def _own_problems(self) -> list[SettingProblem]:
        """What is wrong with the settings of one driver."""
        return []

    def _delimiters(self) -> dict[str, str]:
        """The texts that end a column, which can't stand in one, by their keys."""
        return {"terminator": self.terminator}

    @field_validator("terminator")
    @classmethod
    def _check_terminator(cls, text: str) -> str:
        return check_latin(text)

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        found = [
            *self._structure_problems(),
            *self._own_problems(),
            *(
                (("columns", self._key_of(index), *path), requirement, value)
                for index, column in enumerate(self.in_order)
                for path, requirement, value in self._column_problems(column)
            ),
        ]
        raise_problems(self, found)
        return self

    def _structure_problems(self) -> list[SettingProblem]:
        found = record_problems(
            self.in_order, key="columns", noun="column", measured=("time_of_flight", "thickness")
        )
        if self.checksum is not None and self.terminator in self.checksum.after:
            requirement = "must not hold the terminator"
            found.append((("checksum", "after"), requirement, self.checksum.after))
        return found

    def _column_problems(self, column: AnyColumn) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if isinstance(column, ConstantColumn):
            if not column.text:
                found.append((("text",), "must not be empty; use 'ignore'", column.text))
            found.extend(self._text_problems(("text",), column.text))
        elif isinstance(column, StatusColumn):
            for field, texts in (("valid", column.valid), ("invalid", column.invalid)):
                for index, text in enumerate(texts):
                    found.extend(self._text_problems((field, index), text))
            both = sorted(set(column.valid) & set(column.invalid))
            if both:
                found.append((("invalid",), "must not repeat a text of 'valid'", both))
        elif isinstance(column, CountsColumn):
            found += column.roll_over_problems(column.bits)
        elif isinstance(column, LimitedValue):
            found += column.limit_problems()
            sentinels = column.no_echo if isinstance(column, _MayBeMissing) else ()
            for index, sentinel in enumerate(sentinels):
                if isinstance(sentinel, str):
                    found.extend(self._text_problems(("no_echo", index), sentinel))
                    if not sentinel:
                        requirement = "must not be empty; use empty = 'no_echo'"
                        found.append((("no_echo", index), requirement, sentinel))
        return found

    def _text_problems(self, path: tuple[str | int, ...], text: str) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if any(char > _MAX_BYTE for char in text):
            requirement = "must consist of characters up to U+00FF, one byte each"
            found.append((path, requirement, text))
        for name, delimiter in self._delimiters().items():
            if delimiter in text:
                found.append((path, f"must not hold the {name}", text))
        if text != text.strip(" \t"):
            found.append((path, "must not begin or end with a space", text))
        return found


class DelimitedSettings(TextLineSettings):
    """A line of text with columns between separators."""

    separator: str = Field(default=",", min_length=1, max_length=1)
    columns: tuple[AnyColumn, ...] = Field(min_length=1, max_length=64)

    @field_validator("separator")
    @classmethod
    def _check_separator(cls, text: str) -> str:
        if text.isalnum() or text in "+-.":
            raise problem("must be a character that is not part of a number or word")
        return check_latin(text)

    @property
    def in_order(self) -> tuple[AnyColumn, ...]:
        """What is in a line."""
        return self.columns

    def _own_problems(self) -> list[SettingProblem]:
        if self.separator not in self.terminator:
            return []
        return [(("separator",), "must not be part of the terminator", self.separator)]

    def _delimiters(self) -> dict[str, str]:
        return {"separator": self.separator, "terminator": self.terminator}
