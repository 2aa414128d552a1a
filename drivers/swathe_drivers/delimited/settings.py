r"""Settings of delimited lines: what stands in each column.

All texts stand for bytes one to one (Latin-1), so that a control character can be written as
`"\u0003"`.
"""

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Sequence
from typing import Annotated, Final, Literal, Self

from pydantic import ConfigDict, Field, field_validator, model_validator

from swathe_drivers.framing import MAX_TERMINATOR
from swathe_drivers.settings import Problem, Table, problem, raise_problems
from swathe_drivers.units import LengthUnit, TimeUnit

_MAX_COUNT_BITS: Final = 52
_MAX_BYTE: Final = "\xff"

Text = Annotated[str, Field(max_length=64)]


class Constant(Table):
    """A text that never changes; a line in which it differs is of another kind."""

    kind: Literal["constant"] = Field(alias="is")
    text: Text


class DeviceTime(Table):
    """The device's own clock. With `bits` it counts units and starts again at 2**bits."""

    kind: Literal["device_time"] = Field(alias="is")
    unit: TimeUnit
    bits: int | None = Field(default=None, ge=8, le=62)


class _Value(Table):
    min: float | None = None
    max: float | None = None
    no_echo: tuple[float | Text, ...] = ()
    """Numbers or texts that the device sends when it has no echo."""
    empty: Literal["fault", "no_echo"] = "fault"
    """What an empty column means."""


class TimeOfFlight(_Value):
    """Time of flight; `min`, `max` and `no_echo` are in `unit`."""

    kind: Literal["time_of_flight"] = Field(alias="is")
    unit: TimeUnit


class Thickness(_Value):
    """Thickness; `min`, `max` and `no_echo` are in `unit`."""

    kind: Literal["thickness"] = Field(alias="is")
    unit: LengthUnit


class Amplitude(Table):
    """Amplitude of the echo, in percent of full screen height or as a fraction of it."""

    kind: Literal["amplitude"] = Field(alias="is")
    unit: Literal["%", "fraction"] = "%"
    min: float | None = None
    max: float | None = None
    empty: Literal["fault", "absent"] = "fault"
    """What an empty column means."""


class Status(Table):
    """A text that says whether the reading is valid."""

    kind: Literal["status"] = Field(alias="is")
    valid: tuple[Text, ...] = Field(min_length=1)
    invalid: tuple[Text, ...] = ()


class Counts(Table):
    """Raw count of an encoder. With `bits` it rolls over; that is undone by the daemon."""

    kind: Literal["counts"] = Field(alias="is")
    axis: str = Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=32)
    bits: int | None = Field(default=None, ge=4, le=_MAX_COUNT_BITS)
    signed: bool = False


class Position(Table):
    """Position of an axis that the device sends as a length."""

    kind: Literal["position"] = Field(alias="is")
    axis: str = Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=32)
    unit: LengthUnit
    min: float | None = None
    max: float | None = None


class IndexMark(Table):
    """1 in the line with which an encoder passed its index mark, otherwise 0."""

    kind: Literal["index_mark"] = Field(alias="is")
    axis: str = Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=32)


class Quadrature(Table):
    """Both lines of an encoder as they stand, 2 * A + B; the decoder counts all four edges."""

    kind: Literal["quadrature"] = Field(alias="is")
    axis: str = Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=32)


class RunningNumber(Table):
    """Running number of the line; with `wrap` it starts again at 0 after `wrap` lines."""

    kind: Literal["sequence"] = Field(alias="is")
    wrap: int | None = Field(default=None, ge=2, le=2**62)


class Ignore(Table):
    """A column that means nothing here; it may hold anything."""

    kind: Literal["ignore"] = Field(alias="is")


Column = Annotated[
    Constant
    | DeviceTime
    | TimeOfFlight
    | Thickness
    | Amplitude
    | Status
    | Counts
    | Position
    | Quadrature
    | IndexMark
    | RunningNumber
    | Ignore,
    Field(discriminator="kind"),
]

_ON_AXIS: Final = (Counts, Position, Quadrature, IndexMark)
_ONCE: Final = ("device_time", "time_of_flight", "thickness", "amplitude", "status", "sequence")


def check_latin(text: str) -> str:
    """`text` itself, if each of its characters is one byte."""
    if any(char > _MAX_BYTE for char in text):
        raise problem("must consist of characters up to U+00FF, one byte each")
    return text


class Checksum(Table):
    """A checksum at the end of the line: two hexadecimal digits after a marker."""

    model_config = ConfigDict(extra="forbid", frozen=True, serialize_by_alias=True)

    kind: Literal["xor", "sum8"]
    """Exclusive or of the bytes, or their sum modulo 256."""
    after: Annotated[str, Field(min_length=1, max_length=4)]
    """The marker; it is not itself summed up."""
    first: int = Field(default=0, alias="from", ge=0, le=64)
    """First byte of the line that is summed up, counted from 0."""


class TextSettings(Table, ABC):
    """Lines of text; the drivers differ in how they find what stands in a line."""

    terminator: str = Field(default="\r\n", min_length=1, max_length=MAX_TERMINATOR)
    max_length: int = Field(default=256, ge=4, le=65536)
    """The most bytes of a line, without its terminator."""
    checksum: Checksum | None = None
    other_lines: Literal["fault", "ignore"] = "fault"
    """What to make of a line of another kind: whose constant columns differ, say."""

    @property
    @abstractmethod
    def in_order(self) -> tuple[Column, ...]:
        """What stands in a line."""

    def name_of(self, index: int) -> str:
        """How messages call one of these."""
        column = self.in_order[index]
        axis = f" {column.axis}" if isinstance(column, _ON_AXIS) else ""
        return f"{self._place_of(index)} ({column.kind}{axis})"

    def _place_of(self, index: int) -> str:
        return f"column {index + 1}"

    def _key_of(self, index: int) -> str | int:
        return index

    def _own_problems(self) -> list[Problem]:
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

    def _structure_problems(self) -> list[Problem]:
        found: list[Problem] = []
        kinds = Counter(column.kind for column in self.in_order)
        if not kinds.keys() & {"time_of_flight", "thickness", "counts", "position", "quadrature"}:
            requirement = "must have at least one of time_of_flight, thickness, counts and position"
            found.append((("columns",), requirement, sorted(kinds)))
        elif not kinds.keys() & {"time_of_flight", "thickness"}:
            found.extend(
                (("columns",), f"must have a time_of_flight or thickness beside {kind}", kind)
                for kind in ("amplitude", "status")
                if kinds[kind]
            )
        found.extend(
            (("columns",), f"must have one {kind} at most", kinds[kind])
            for kind in _ONCE
            if kinds[kind] > 1
        )
        axes = Counter(
            column.axis
            for column in self.in_order
            if isinstance(column, Counts | Position | Quadrature)
        )
        found.extend(
            (("columns",), f"must have counts for the axis of the index mark {mark!r}", mark)
            for mark in (c.axis for c in self.in_order if isinstance(c, IndexMark))
            if mark not in axes
        )
        found.extend(
            (("columns",), f"must have one column for the axis {axis!r}", number)
            for axis, number in axes.items()
            if number > 1
        )
        if self.checksum is not None and self.terminator in self.checksum.after:
            requirement = "must not hold the terminator"
            found.append((("checksum", "after"), requirement, self.checksum.after))
        return found

    def _column_problems(self, column: Column) -> list[Problem]:
        found: list[Problem] = []
        if isinstance(column, Constant):
            if not column.text:
                found.append((("text",), "must not be empty; use 'ignore'", column.text))
            found.extend(self._text_problems(("text",), column.text))
        elif isinstance(column, Status):
            for field, texts in (("valid", column.valid), ("invalid", column.invalid)):
                for index, text in enumerate(texts):
                    found.extend(self._text_problems((field, index), text))
            both = sorted(set(column.valid) & set(column.invalid))
            if both:
                found.append((("invalid",), "must not repeat a text of 'valid'", both))
        elif isinstance(column, _Value | Amplitude | Position):
            if column.min is not None and column.max is not None and column.min >= column.max:
                found.append((("max",), f"must be > 'min', which is {column.min!r}", column.max))
            sentinels: Sequence[float | str] = column.no_echo if isinstance(column, _Value) else ()
            for index, sentinel in enumerate(sentinels):
                if isinstance(sentinel, str):
                    found.extend(self._text_problems(("no_echo", index), sentinel))
                    if not sentinel:
                        requirement = "must not be empty; use empty = 'no_echo'"
                        found.append((("no_echo", index), requirement, sentinel))
        return found

    def _text_problems(self, path: tuple[str | int, ...], text: str) -> list[Problem]:
        found: list[Problem] = []
        if any(char > _MAX_BYTE for char in text):
            requirement = "must consist of characters up to U+00FF, one byte each"
            found.append((path, requirement, text))
        for name, delimiter in self._delimiters().items():
            if delimiter in text:
                found.append((path, f"must not hold the {name}", text))
        if text != text.strip(" \t"):
            found.append((path, "must not begin or end with a space", text))
        return found


class DelimitedSettings(TextSettings):
    """A line of text with columns between separators."""

    separator: str = Field(default=",", min_length=1, max_length=1)
    columns: tuple[Column, ...] = Field(min_length=1, max_length=64)

    @field_validator("separator")
    @classmethod
    def _check_separator(cls, text: str) -> str:
        if text.isalnum() or text in "+-.":
            raise problem("must be a character that is not part of a number or word")
        return check_latin(text)

    @property
    def in_order(self) -> tuple[Column, ...]:
        """What stands in a line."""
        return self.columns

    def _own_problems(self) -> list[Problem]:
        if self.separator not in self.terminator:
            return []
        return [(("separator",), "must not be part of the terminator", self.separator)]

    def _delimiters(self) -> dict[str, str]:
        return {"separator": self.separator, "terminator": self.terminator}
