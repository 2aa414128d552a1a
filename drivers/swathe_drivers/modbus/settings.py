"""Settings of a Modbus device: which registers are read, and what is in them.

Registers are counted as on the line, from 0: what a manual calls 40101 is holding register 100.
"""

import re
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, NamedTuple, Self

from pydantic import Field, PrivateAttr, ValidationError, model_validator

from swathe_drivers.columns import MEASURED, POSITIONS, GateText
from swathe_drivers.errors import SettingsError
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.settings import SettingProblem, SettingsTable, raise_problems, settings_error
from swathe_drivers.units import DurationText, nanoseconds

FUNCTIONS: Final = {"holding": 3, "input": 4}
"""Function codes that read registers (MODBUS Application Protocol Specification V1.1b3, 6.3, 6.4)."""

MOST_REGISTERS: Final = 125
"""The most registers of one request; by the same specification."""

_TYPES: Final = {
    "int16": "i2",
    "uint16": "u2",
    "int32": "i4",
    "uint32": "u4",
    "int64": "i8",
    "uint64": "u8",
    "float32": "f4",
    "float64": "f8",
    "bcd4": "bcd2",
    "bcd8": "bcd4",
    "bcd12": "bcd6",
}
"""By the name of a type: that of a frame's field, which ends with its bytes. BCD has so many digits."""
_FIELD: Final = re.compile(r"fields\[(\d+)\]\.?(.*)")

Path = tuple[str | int, ...]

Gates = tuple[str | None, str | None]
"""The gate whose values count, and the one whose values are taken off these."""


class DataSlice(NamedTuple):
    """Where a field is in the answer: bytes from the first register on."""

    at: int
    size: int


class Read(SettingsTable):
    """Registers that are read in one request."""

    registers: Literal["holding", "input"] = "holding"
    unit: int | None = Field(default=None, ge=0, le=255)
    """The device's address, if not that of the others."""
    every: DurationText | None = None
    """From one request to the next, if not as for the others."""
    fields: tuple[dict[str, Any], ...] = Field(min_length=1, max_length=64)
    """As those of binary frames, each with its `register` and a `type` such as int32."""


class ModbusSettings(SettingsTable):
    """A device that is asked for its registers."""

    framing: Literal["rtu", "tcp"] = "rtu"
    """`rtu` on a serial line, also behind a server that passes its bytes on; `tcp` otherwise."""
    unit: int = Field(default=1, ge=0, le=255)
    every: DurationText = "20 ms"
    word_order: Literal["high_first", "low_first"] = "high_first"
    """Of numbers with several registers."""
    reads: Annotated[tuple[Read, ...], Field(min_length=1, max_length=2)]
    """Positions belong into one of them, readings into one; channels into any."""
    gate: GateText | None = None
    """The gate whose values count, where there are fields of several."""
    gate_minus: GateText | None = None
    """The gate whose time of flight or thickness is taken off that of `gate`."""

    @property
    def gates(self) -> Gates:
        """The gate whose values count, and the one whose values are taken off these."""
        return self.gate, self.gate_minus

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        found: list[SettingProblem] = []
        for index, read in enumerate(self.reads):
            path: Path = ("reads", index)
            problems = _field_problems(read)
            if not problems:
                problems = _layout_problems(read) or _content_problems(
                    read, self.gates, among_others=len(self.reads) > 1
                )
            found += [
                ((*path, *inner), requirement, value) for inner, requirement, value in problems
            ]
            if read.every is not None and nanoseconds(read.every) <= 0:
                found.append(((*path, "every"), "must be > 0", read.every))
        if nanoseconds(self.every) <= 0:
            found.append((("every",), "must be > 0", self.every))
        if not found:
            found += self._pair_problems()
            if self.gate is not None and not any(
                "gate" in one for r in self.reads for one in r.fields
            ):
                found.append((("gate",), "must be left out, as no value has a 'gate'", self.gate))
        raise_problems(self, found)
        return self

    def _pair_problems(self) -> list[SettingProblem]:
        if len(self.reads) == 1:
            return []
        found: list[SettingProblem] = []
        kinds = [{field["is"] for field in read.fields} for read in self.reads]
        if not any({*MEASURED, *POSITIONS} & each for each in kinds):
            requirement = "must have a thickness, a time of flight or counts in one of them"
            return [(("reads",), requirement, len(kinds))]
        for index, each in enumerate(kinds):
            if each <= {"skip", "constant", "device_time", "sequence"}:
                requirement = (
                    "must have a value, a position or a channel: otherwise leave this read out"
                )
                found.append((("reads", index, "fields"), requirement, sorted(each)))
        for names, what in (
            ({"counts", "position"}, "positions"),
            ({"time_of_flight", "thickness", "waveform"}, "readings"),
        ):
            if all(names & each for each in kinds):
                requirement = f"must not have {what} as the other read has them"
                found.append((("reads", 1, "fields"), requirement, sorted(kinds[1] & names)))
        records = [bool({*MEASURED, *POSITIONS} & each) for each in kinds]
        if all(records) and ("device_time" in kinds[0]) != ("device_time" in kinds[1]):
            requirement = "must have a device_time in both reads or in none"
            found.append((("reads", 1, "fields"), requirement, sorted(kinds[1])))
        keys = [self.key_of(read) for read in self.reads]
        if self.framing == "rtu" and keys[0] == keys[1]:
            requirement = (
                "must have another number of registers than the other read, as an RTU answer does"
                " not say what was asked; add a field 'skip' with the register behind"
            )
            found.append((("reads", 1, "fields"), requirement, keys[1][2] // 2))
        return found

    def key_of(self, read: Read) -> tuple[int, int, int]:
        """What an answer begins with: unit, function, number of data bytes."""
        unit = self.unit if read.unit is None else read.unit
        return unit, FUNCTIONS[read.registers], 2 * count_of(read)


def first_of(read: Read) -> int:
    """The first register that is read."""
    return min(int(field["register"]) for field in read.fields)


def count_of(read: Read) -> int:
    """How many registers are read."""
    ends = (int(field["register"]) + _registers(field) for field in read.fields)
    return max(ends) - first_of(read)


class ReadFrames(FramesSettings):
    """The data of an answer to one of several reads, which may have nothing but channels."""

    _several: bool = PrivateAttr(default=True)

    @property
    def has_no_value(self) -> bool:
        """A register has a value in any case."""
        return False


def frames_of(read: Read, gates: Gates, *, among_others: bool = False) -> FramesSettings:
    """The data of an answer as a frame of its own; ends are not looked for, so any framing does.

    Raises:
        ValidationError: a field is wrong; its index is that in `_in_order`, skips included.
    """
    model = ReadFrames if among_others else FramesSettings
    return model.model_validate(_frame_table(read, gates)[0])


def slices_of(read: Read) -> list[DataSlice]:
    """Where the numbers of an answer are, each once, without those that are skipped."""
    first = first_of(read)
    found = {
        DataSlice(2 * (int(field["register"]) - first), int(_TYPES[field["type"]][-1]))
        for field in read.fields
        if field["is"] not in ("skip", "waveform")
    }
    return sorted(found)


def _registers(field: Mapping[str, Any]) -> int:
    if field.get("is") == "skip":
        return 1
    size = int(_TYPES[field["type"]][-1]) // 2
    return size * int(field["samples"]) if field.get("is") == "waveform" else size


def _in_order(read: Read) -> list[int]:
    """Indices of the fields by their registers; bits that share one come behind its number."""
    return sorted(
        range(len(read.fields)),
        key=lambda index: (
            read.fields[index]["register"],
            _may_share(read.fields[index]),
            index,
        ),
    )


def _may_share(field: Mapping[str, Any]) -> bool:
    """Whether a field is bits of a register that others may have, too."""
    bits = field.get("is") in ("status", "index_mark")
    return bits or (field.get("is") != "constant" and field.get("mask") is not None)


def _frame_table(read: Read, gates: Gates) -> tuple[dict[str, Any], list[int]]:
    """A table for `FramesSettings`, and for each of its fields the index in `read.fields`."""
    at, before = first_of(read), -1
    fields: list[dict[str, Any]] = []
    origin: list[int] = []
    for index in _in_order(read):
        field = dict(read.fields[index])
        register = int(field.pop("register"))
        if register > at:
            fields.append({"is": "skip", "bytes": 2 * (register - at)})
            origin.append(index)
            at = register
        if field.get("is") == "skip":
            fields.append({**field, "bytes": 2})
        else:
            taken = {**field, "type": _TYPES[field["type"]]}
            fields.append(taken | {"shares": True} if register == before else taken)
        origin.append(index)
        before, at = register, max(at, register + _registers(read.fields[index]))
    table = {"framing": {"kind": "idle_gap", "gap": "1 ms"}, "byte_order": "big", "fields": fields}
    named = any(field.get("gate") is not None for field in fields)
    return (table | {"gate": gates[0], "gate_minus": gates[1]} if named else table), origin


def _field_problems(read: Read) -> list[SettingProblem]:
    """What is wrong with the keys that only this driver knows."""
    found: list[SettingProblem] = []
    for index, field in enumerate(read.fields):
        path: Path = ("fields", index)
        register = field.get("register")
        if not isinstance(register, int) or isinstance(register, bool) or not 0 <= register < 65536:
            found.append(((*path, "register"), "must be a whole number from 0 to 65535", register))
        kind, samples = field.get("type"), field.get("samples")
        if not isinstance(field.get("is"), str):
            found.append(((*path, "is"), "must be given", field.get("is")))
        elif field["is"] != "skip" and (not isinstance(kind, str) or kind not in _TYPES):
            found.append(((*path, "type"), f"must be one of {', '.join(_TYPES)}", kind))
        elif field["is"] == "waveform" and (
            not isinstance(samples, int) or kind not in ("int16", "uint16")
        ):
            requirement = "must be a number, of type int16 or uint16"
            found.append(((*path, "samples"), requirement, samples))
        found += [
            ((*path, key), "must be left out: registers place a field", field[key])
            for key in ("shares", "bytes", "byte_order")
            if key in field
        ]
    return found


def _layout_problems(read: Read) -> list[SettingProblem]:
    found: list[SettingProblem] = []
    end, last = 0, -1
    for index in _in_order(read):
        field = read.fields[index]
        register = int(field["register"])
        shares = _may_share(field) and register == last
        if register < end and not shares:
            requirement = f"must be >= {end}, as the field before takes the registers up to there"
            found.append((("fields", index, "register"), requirement, register))
        last, end = register, max(end, register + _registers(field))
    if count_of(read) > MOST_REGISTERS:
        requirement = f"must be within {MOST_REGISTERS} registers"
        found.append((("fields",), requirement, count_of(read)))
    elif end > 65536:
        found.append((("fields",), "must end with register 65535", end - 1))
    return found


def _content_problems(read: Read, gates: Gates, *, among_others: bool) -> list[SettingProblem]:
    """What is wrong with the fields as those of a frame, with the user's indices."""
    table, origin = _frame_table(read, gates)
    try:
        (ReadFrames if among_others else FramesSettings).model_validate(table)
    except ValidationError as error:
        first = settings_error(error, table, key="")
        return [_problem_of(each, origin) for each in (first, *first.others)]
    return []


def _problem_of(error: SettingsError, origin: list[int]) -> SettingProblem:
    placed = _FIELD.fullmatch(error.key)
    if placed is None and error.key in ("gate", "gate_minus"):
        return (
            ("fields",),
            f"must have the gate chosen: 'protocol.{error.key}' {error.requirement}",
            error.value,
        )
    if placed is None:
        return ("fields",), error.requirement, error.value
    rest: Path = (placed[2],) if placed[2] else ()
    return ("fields", origin[int(placed[1])], *rest), error.requirement, error.value
