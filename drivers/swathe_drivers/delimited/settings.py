r"""Settings of delimited lines: what is in each column.

All texts stand for bytes one to one (Latin-1), so that a control character can be written as
`"\u0003"`.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Annotated, Final, Literal, Self

from pydantic import Field, PrivateAttr, field_validator, model_validator

from swathe_drivers.columns import Abilities, AxisName, GateText, LimitedValue, kind_and_axis
from swathe_drivers.delimited.checksum_settings import LineChecksum, checksum_problems
from swathe_drivers.delimited.columns import (
    AmplitudeColumn,
    AnyColumn,
    ChannelColumn,
    ConstantColumn,
    CountsColumn,
    DeviceTimeColumn,
    Ignore,
    IndexMarkColumn,
    PositionColumn,
    ProbeColumn,
    RunningNumberColumn,
    StatusColumn,
    ThicknessColumn,
    TimeOfFlightColumn,
    texts_behind,
)
from swathe_drivers.delimited.flags import mark_problems, status_problems
from swathe_drivers.framing import MAX_TERMINATOR
from swathe_drivers.gates import as_subtracted, difference_problems, gate_problems, is_of_other_gate
from swathe_drivers.held_axes import held_problems, leading
from swathe_drivers.inputs import InputsInTurn
from swathe_drivers.kinds import MOST_KINDS, placed_in_records, together_problems
from swathe_drivers.record_checks import has_no_value, record_problems
from swathe_drivers.running_numbers import NumbersShared
from swathe_drivers.settings import SettingProblem, SettingsTable, problem, raise_problems
from swathe_drivers.talk.settings import to_bytes

_MAX_BYTE: Final = "\xff"
_NUMBERS: Final = (
    AmplitudeColumn,
    ChannelColumn,
    CountsColumn,
    DeviceTimeColumn,
    PositionColumn,
    ProbeColumn,
    RunningNumberColumn,
    ThicknessColumn,
    TimeOfFlightColumn,
)
"""Columns with a number, which may have texts around it."""
_IGNORED: Final = Ignore.model_validate({"is": "ignore"})


def check_latin(text: str) -> str:
    """`text` itself, if each of its characters is one byte."""
    if any(char > _MAX_BYTE for char in text):
        raise problem("must consist of characters up to U+00FF, one byte each")
    return text


def _leading_text(column: AnyColumn) -> str:
    """Return what a column of a line of this kind begins with in any case."""
    if isinstance(column, ConstantColumn):
        return column.text + "\0"  # and nothing more
    return str(getattr(column, "before", ""))


def line_kinds_problems(kinds: Sequence["TextLineSettings"]) -> list[SettingProblem]:
    """Return what is wrong with several kinds of lines taken together, with the paths in their table."""
    each, held = [kind.abilities for kind in kinds], kinds[0].held_axes
    found = held_problems(each, [one for kind in kinds for one in kind.in_order], held)
    found += together_problems(leading(each, held), kinds[0].numbers)
    for number, kind in enumerate(kinds):
        for before in range(number):
            both = kind.answered, kinds[before].answered
            if kinds[before].takes_all_of(kind) and (None in both or both[0] == both[1]):
                requirement = (
                    f"must differ from record[{before}] in a 'constant', in a text 'before' a number,"
                    " in the number of columns, or in the poll that each 'answers': nothing shows"
                    " which of both a line is"
                )
                if not kind.takes_all_of(kinds[before]):
                    requirement = (
                        f"must be before record[{before}], which all of its lines fit as well: the"
                        " first one counts"
                    )
                found.append(((number, "columns"), requirement, None))
    return found


def _within(path: tuple[str | int, ...], found: list[SettingProblem]) -> list[SettingProblem]:
    return [((*path, *inner), requirement, value) for inner, requirement, value in found]


class TextLineSettings(SettingsTable, ABC):
    """Lines of text; the drivers differ in how they find what is in a line."""

    terminator: str = Field(default="\r\n", min_length=1, max_length=MAX_TERMINATOR)
    max_length: int = Field(default=256, ge=4, le=65536)
    """The most bytes of a line, without its terminator."""
    prompt: str = Field(default="", max_length=16)
    """What the device sends when it waits for a command: before a line it is left out."""
    decimal: Literal[".", ","] = "."
    """The decimal point of all numbers."""
    checksum: LineChecksum | None = None
    gate: GateText | None = None
    """The gate whose values count, where there are columns of several."""
    gate_minus: GateText | None = None
    """The gate whose time of flight or thickness is taken off that of `gate`."""
    probes_in_turn: InputsInTurn = ()
    """Inputs whose readings come in turn, by the running number of the line."""
    other_lines: Literal["fault", "ignore"] = "fault"
    """What to make of a line of another kind: whose constant columns differ, say."""
    ignore_lines: tuple[Annotated[str, Field(min_length=1, max_length=64)], ...] = Field(
        default=(), max_length=16
    )
    """What lines begin with that are passed over, whatever else is in them."""
    record: tuple[SettingsTable, ...] = Field(default=(), max_length=MOST_KINDS)
    """Instead of what is in a line: one table for each kind of lines."""
    numbers: NumbersShared | None = None
    """Whether kinds of lines share one running number; None: that is not known."""
    held_axes: Annotated[tuple[AxisName, ...], Field(max_length=8)] = ()
    """Axes that come in records of their own and keep their value until the next one."""

    _answers: str | None = PrivateAttr(default=None)
    """The request that this kind of lines answers, among others."""

    _label: str = PrivateAttr("")
    """How messages call this kind of lines among others."""

    @property
    @abstractmethod
    def every(self) -> tuple[AnyColumn, ...]:
        """What is in a line, with the columns of all gates."""

    @property
    def answered(self) -> bytes | None:
        """The request that this kind of lines answers; None: any, or none."""
        return None if self._answers is None else to_bytes(self._answers)

    @property
    def is_one_of_several(self) -> bool:
        """Whether these are the settings of one kind of lines among others."""
        return bool(self._label)

    @property
    def has_no_value(self) -> bool:
        """Whether these lines, among others, are readings without an echo."""
        return self.is_one_of_several and has_no_value(self.in_order, self.every)

    @property
    def abilities(self) -> Abilities:
        """What a decoder of one kind of lines gives."""
        return Abilities.of(
            self.in_order, without_value=self.has_no_value, in_turn=self.probes_in_turn
        )

    @property
    def kinds(self) -> tuple[Self, ...]:
        """The settings of each kind of lines by itself; these where there is one kind."""
        if not self.record:
            return (self,)
        kinds = []
        for number, record in enumerate(self.record):
            own = {name: getattr(record, name) for name in type(record).model_fields}
            answers = own.pop("answers")
            kind = self.model_copy(update={**own, "record": (), "other_lines": "ignore"})
            kind._label = f"record {number + 1}, "
            kind._answers = answers
            kinds.append(kind)
        return tuple(kinds)

    @property
    def in_order(self) -> tuple[AnyColumn, ...]:
        """What is in a line; a value of another gate means nothing."""
        return tuple(
            as_subtracted(column, self.gate_minus) or _IGNORED
            if is_of_other_gate(column, self.gate)
            else column
            for column in self.every
        )

    @property
    def identifies(self) -> bool:
        """Something in a line shows that it is of this kind: a text that it must have."""
        if self.record:
            return True
        return any(
            isinstance(column, ConstantColumn)
            or (isinstance(column, StatusColumn) and column.mask is None)
            or getattr(column, "before", "")
            or texts_behind(column)
            for column in self.in_order
        )

    def name_of(self, index: int) -> str:
        """How messages call one of these."""
        return f"{self._label}{self._place_of(index)} ({kind_and_axis(self.in_order[index])})"

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

    @field_validator("ignore_lines")
    @classmethod
    def _check_ignored(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(check_latin(text) for text in texts)

    @field_validator("terminator", "prompt")
    @classmethod
    def _check_terminator(cls, text: str) -> str:
        return check_latin(text)

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        if self.record and self.every:
            requirement = "must be left out, as each 'record' has its own"
            raise_problems(self, [(("columns",), requirement, None)])
        if not self.record and not self.every:
            requirement = "must be given, or a table 'record' for each kind of lines"
            raise_problems(self, [(("columns",), requirement, None)])
        kinds, several = self.kinds, bool(self.record)
        found = gate_problems(
            [one for kind in kinds for one in kind.every], self.gate, self.gate_minus
        )
        for number, kind in enumerate(kinds if not found else ()):
            found += _within(("record", number) * several, kind._structure_problems())
        if self.checksum is not None:
            found += _within(("checksum",), checksum_problems(self.checksum, self.terminator))
        if self.prompt and self.terminator in self.prompt:
            requirement = "must not hold the terminator: what ends with it is a line"
            found.append((("prompt",), requirement, self.prompt))
        found += self._line_problems()
        for number, kind in enumerate(kinds):
            found += _within(("record", number) * several, kind._kind_problems())
        if several and not found:
            found += placed_in_records(line_kinds_problems(kinds))
        elif not several and self.numbers is not None:
            found.append((("numbers",), "must be left out without 'record'", self.numbers))
        elif not several and self.held_axes:
            found.append((("held_axes",), "must be left out without 'record'", self.held_axes))
        raise_problems(self, found)
        return self

    def _structure_problems(self) -> list[SettingProblem]:
        """Return what is wrong with one kind of lines as a whole."""
        gates = self.gate, self.gate_minus
        return difference_problems(self.every, *gates, key="columns") or record_problems(
            self.in_order,
            key="columns",
            noun="column",
            measured=("time_of_flight", "thickness"),
            alone=not self.is_one_of_several,
            without_value=self.has_no_value,
            in_turn=self.probes_in_turn,
        )

    def _kind_problems(self) -> list[SettingProblem]:
        """Return what is wrong with the columns of one kind of lines, one by one."""
        return self._own_problems() + [
            (("columns", self._key_of(index), *path), requirement, value)
            for index, column in enumerate(self.in_order)
            for path, requirement, value in self._column_problems(column)
        ]

    def takes_all_of(self, other: "TextLineSettings") -> bool:
        """Whether each line of another kind fits this one, by what its columns begin with or are."""
        others = other._texts_at()
        return all(
            others.get(place, "").startswith(text) for place, text in self._texts_at().items()
        )

    def _texts_at(self) -> dict[str | int, str]:
        """Return what a column must begin with, by its place."""
        return {
            self._key_of(index): text
            for index, column in enumerate(self.in_order)
            if (text := _leading_text(column))
        }

    def _line_problems(self) -> list[SettingProblem]:
        """Return what is wrong with what all kinds of lines share."""
        return []

    def _column_problems(self, column: AnyColumn) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if isinstance(column, ConstantColumn):
            if not column.text:
                found.append((("text",), "must not be empty; use 'ignore'", column.text))
            found.extend(self._text_problems(("text",), column.text))
        elif isinstance(column, StatusColumn):
            found += status_problems(column, without_value=self.has_no_value)
            found += self._texts_problems(column, ("valid", "invalid"))
        elif isinstance(column, IndexMarkColumn):
            found += mark_problems(column)
            found += self._texts_problems(column, ("marked", "unmarked"))
        elif isinstance(column, CountsColumn):
            found += column.roll_over_problems(column.bits)
        elif isinstance(column, LimitedValue):
            found += column.limit_problems()
            found.extend(self._sentinel_problems(column))
        if isinstance(column, _NUMBERS):
            found.extend(self._number_problems(column))
        return found

    def _texts_problems(self, column: AnyColumn, keys: tuple[str, str]) -> list[SettingProblem]:
        """Return what is wrong with the texts of two lists, each of which means something else."""
        found: list[SettingProblem] = []
        for key in keys:
            for index, text in enumerate(getattr(column, key)):
                found.extend(self._text_problems((key, index), text))
        both = sorted(set(getattr(column, keys[0])) & set(getattr(column, keys[1])))
        if both:
            found.append(((keys[1],), f"must not repeat a text of '{keys[0]}'", both))
        return found

    def _sentinel_problems(self, column: LimitedValue) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if isinstance(column, TimeOfFlightColumn | ThicknessColumn):
            key, sentinels = "no_echo", column.no_echo
        elif isinstance(column, ChannelColumn):
            key, sentinels = "absent", column.absent
        else:
            return found
        for index, sentinel in enumerate(sentinels):
            if isinstance(sentinel, str):
                found.extend(self._text_problems((key, index), sentinel))
                if not sentinel:
                    requirement = f"must not be empty; use empty = '{key}'"
                    found.append(((key, index), requirement, sentinel))
        return found

    def _number_problems(self, column: AnyColumn) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        before = getattr(column, "before", "")
        if before:
            found.extend(self._text_problems(("before",), before))
        behind = texts_behind(column)
        for text, unit in behind.items():
            path: tuple[str | int, ...] = ("behind",) if unit is None else ("behind", text)
            found.extend(self._text_problems(path, text))
            if not text:
                found.append((path, "must not be empty", text))
        bits = getattr(column, "bits", None) if isinstance(column, LimitedValue) else None
        if bits is not None and getattr(column, "written", "decimal") == "decimal":
            requirement = "must be left out of a decimal number, which has a sign"
            found.append((("bits",), requirement, bits))
        if getattr(column, "scale", 1.0) == 0.0:
            found.append((("scale",), "must not be 0", 0.0))
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
            requirement = 'must not begin or end with a space, which does not count: blank is ""'
            found.append((path, requirement, text))
        return found
