"""Settings of binary frames: how they are found, and what is in them."""

from typing import Annotated, Any, Literal, Self

from pydantic import Field, PrivateAttr, model_validator

from swathe_drivers.columns import (
    Abilities,
    AxisName,
    GateText,
)
from swathe_drivers.frames.field_checks import field_problems
from swathe_drivers.frames.fields import (
    AnyField,
    ByteOrder,
    ConstantField,
    LengthField,
    Skip,
    Waveform,
    size_of,
)
from swathe_drivers.frames.framing import (
    Checksum,
    CobsFraming,
    CrcChecksum,
    Doubled,
    Fixed,
    Framing,
    IdleGap,
    LengthPrefix,
    SlipFraming,
    StartStop,
    checksum_size,
    doubled_problems,
    first_byte_problems,
    start_stop_problems,
)
from swathe_drivers.frames.kinds_checks import frame_kinds_problems
from swathe_drivers.frames.packed import bytes_of_type
from swathe_drivers.frames.repeats import Repeat, group_problems, repeat_problems
from swathe_drivers.gates import as_subtracted, difference_problems, gate_problems, is_of_other_gate
from swathe_drivers.inputs import InputsInTurn
from swathe_drivers.kinds import MOST_KINDS, placed_in_records
from swathe_drivers.record_checks import has_no_value, record_problems
from swathe_drivers.records import WaveformFormat
from swathe_drivers.running_numbers import NumbersShared
from swathe_drivers.settings import SettingProblem, SettingsTable, raise_problems
from swathe_drivers.talk.settings import KindOfRecord, to_bytes
from swathe_drivers.units import nanoseconds


class FrameRecord(KindOfRecord):
    """One kind of frames among others."""

    fields: tuple[AnyField, ...] = Field(min_length=1, max_length=64)
    repeat: Repeat | None = None


class FramesSettings(SettingsTable):
    """Binary frames with fields one behind the other."""

    framing: Framing
    byte_order: ByteOrder = "little"
    """Of the numbers without one of their own."""
    max_length: int = Field(default=4096, ge=2, le=65536)
    """The most bytes of a frame as it is on the line, with all that frames it."""
    checksum: Checksum | None = None
    """At the very end of the frame (with `start_stop` and `doubled`: before what ends it)."""
    fields: tuple[AnyField, ...] = Field(default=(), max_length=64)
    """From the first byte behind `sync` or `start` on."""
    repeat: Repeat | None = None
    """Behind the fields: those of one sample, repeated up to the checksum."""
    record: tuple[FrameRecord, ...] = Field(default=(), max_length=MOST_KINDS)
    """Instead of `fields`: one table for each kind of frames."""
    numbers: NumbersShared | None = None
    """Whether kinds of frames share one running number; None: that is not known."""
    held_axes: Annotated[tuple[AxisName, ...], Field(max_length=8)] = ()
    """Axes that come in records of their own and keep their value until the next one."""
    gate: GateText | None = None
    """The gate whose values count, where there are fields of several."""
    gate_minus: GateText | None = None
    """The gate whose time of flight or thickness is taken off that of `gate`."""
    probes_in_turn: InputsInTurn = ()
    """Inputs whose readings come in turn, by the running number of the frame."""
    other_frames: Literal["fault", "ignore"] = "fault"
    """What to make of a frame whose constant fields differ."""

    _answers: str | None = PrivateAttr(default=None)
    _several: bool = PrivateAttr(default=False)
    """Whether these are the settings of one kind of frames among others."""

    @property
    def kinds(self) -> "tuple[FramesSettings, ...]":
        """The settings of each kind of frames by itself; these where there is one kind."""
        if not self.record:
            return (self,)
        kinds = []
        for record in self.record:
            own: dict[str, Any] = {"fields": record.fields, "repeat": record.repeat}
            own |= {"record": (), "other_frames": "ignore"}
            kind = self.model_copy(update=own)
            kind._several = True
            kind._answers = record.answers
            kinds.append(kind)
        return tuple(kinds)

    @property
    def has_no_value(self) -> bool:
        """Whether these frames, among others, are readings without an echo."""
        return self._several and has_no_value(self.in_order, self.every)

    def abilities(self, waveform: WaveformFormat | None = None) -> Abilities:
        """Return what a decoder of one kind of frames gives."""
        return Abilities.of(
            self.in_order,
            waveform,
            without_value=self.has_no_value,
            in_turn=self.probes_in_turn,
        )

    @property
    def answered(self) -> bytes | None:
        """The request that this kind of frames answers; None: any, or none."""
        return None if self._answers is None else to_bytes(self._answers)

    @property
    def every(self) -> tuple[AnyField, ...]:
        """What is in a frame, with the fields of all gates, and those of one sample."""
        return self.fields + (() if self.repeat is None else self.repeat.fields)

    @property
    def in_order(self) -> tuple[AnyField, ...]:
        """What is in a frame with one sample; a value of another gate means nothing."""
        return tuple(
            as_subtracted(field, self.gate_minus) or _skipped(field)
            if is_of_other_gate(field, self.gate)
            else field
            for field in self.every
        )

    @property
    def identifies(self) -> bool:
        """Something in a frame shows that it is of this kind: a constant field."""
        return bool(self.record) or any(isinstance(field, ConstantField) for field in self.in_order)

    @property
    def covers_stop(self) -> bool:
        """The checksum is behind the stop byte, and covers it."""
        framing = self.framing
        if isinstance(framing, Doubled):
            return framing.checksum_behind and framing.stop_covered
        return isinstance(framing, StartStop) and framing.checksum_behind

    @property
    def first_byte(self) -> tuple[int, int] | None:
        """Mask and value of what distinguishes the first byte of a frame from all others."""
        first = self.framing.first if isinstance(self.framing, Fixed) else None
        return None if first is None else (first.mask, first.value)

    @property
    def sync(self) -> bytes:
        """The bytes at the beginning of a frame that are no field."""
        return bytes(self.framing.sync) if isinstance(self.framing, Fixed | LengthPrefix) else b""

    @property
    def size(self) -> int | None:
        """Bytes of a frame without start, stop and escape bytes; None if that varies."""
        if isinstance(self.framing, Fixed):
            return self.framing.length
        if self.record:
            every = {kind.size for kind in self.kinds}
            return every.pop() if len(every) == 1 else None
        sizes = [size_of(field) for field in self.in_order]
        return None if None in sizes or self.repeat is not None else self.min_size

    @property
    def end(self) -> bytes:
        """Bytes behind the checksum."""
        return bytes(getattr(self.framing, "end", ()))

    @property
    def min_size(self) -> int:
        """The fewest bytes of a frame, without start, stop and escape bytes."""
        if self.record:
            return min(kind.min_size for kind in self.kinds)
        taken = sum(size_of(field) or 0 for field in self.in_order)
        return taken + len(self.sync) + checksum_size(self.checksum) + len(self.end)

    @property
    def samples(self) -> int:
        """Samples of an A-scan, once the settings are checked; 0 without any."""
        for field in self.in_order:
            if isinstance(field, Waveform):
                if field.samples != "rest":
                    return field.samples
                assert isinstance(self.framing, Fixed)  # noqa: S101  ensured by the checks
                return (self.framing.length - self.min_size) // bytes_of_type(field.type)
        return 0

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        if self.record and self.fields:
            requirement = "must be left out, as each 'record' has its own"
            raise_problems(self, [(("fields",), requirement, None)])
        if self.record and self.repeat is not None:
            requirement = "must be in the 'record' whose frames have several samples"
            raise_problems(self, [(("repeat",), requirement, None)])
        if not self.record and not self.fields:
            requirement = "must be given, or a table 'record' for each kind of frames"
            raise_problems(self, [(("fields",), requirement, None)])
        kinds = self.kinds
        found = gate_problems(
            [one for kind in kinds for one in kind.every], self.gate, self.gate_minus
        )
        if not found:
            for number, kind in enumerate(kinds):
                found += self._within(number, kind._content_problems())
        found += self._framing_problems()
        for number, kind in enumerate(kinds):
            found += self._within(number, repeat_problems(kind.fields, kind.repeat))
            found += self._within(number, kind._checksum_problems())
            found += self._within(number, kind._length_problems())
            found += [
                problem
                for index, field in enumerate(kind.in_order)
                for problem in self._within(
                    number,
                    [
                        ((*kind._path_of(index), *path), requirement, value)
                        for path, requirement, value in field_problems(
                            kind.in_order,
                            index,
                            kind.framing,
                            without_value=kind.has_no_value,
                        )
                    ],
                )
            ]
        if self.record and not found:
            found += placed_in_records(frame_kinds_problems(kinds))
        elif not self.record and self.numbers is not None:
            found.append((("numbers",), "must be left out without 'record'", self.numbers))
        elif not self.record and self.held_axes:
            found.append((("held_axes",), "must be left out without 'record'", self.held_axes))
        raise_problems(self, found)
        return self

    def _path_of(self, index: int) -> tuple[str | int, ...]:
        """Return where one of `in_order` is in the user's table."""
        own = len(self.fields)
        return ("fields", index) if index < own else ("repeat", "fields", index - own)

    def _within(self, number: int, found: list[SettingProblem]) -> list[SettingProblem]:
        """Return problems of one kind of frames with the paths of the user's table."""
        if not self.record:
            return found
        return [
            # What all kinds share stays where it is.
            (
                (*(("record", number) if path[0] in ("fields", "repeat") else ()), *path),
                requirement,
                value,
            )
            for path, requirement, value in found
        ]

    def _content_problems(self) -> list[SettingProblem]:
        gates = self.gate, self.gate_minus
        return difference_problems(self.every, *gates, key="fields") or record_problems(
            self.in_order,
            key="fields",
            noun="field",
            measured=("time_of_flight", "thickness", "waveform"),
            alone=not self._several,
            without_value=self.has_no_value,
            in_turn=self.probes_in_turn,
        )

    def _framing_problems(self) -> list[SettingProblem]:
        framing = self.framing
        found: list[SettingProblem] = []
        if isinstance(framing, Fixed | LengthPrefix):
            first = self.first_byte
            if not framing.sync and self.checksum is None and first is None:
                requirement = (
                    "must be given, or a checksum: otherwise nothing shows where a frame begins"
                )
                found.append((("framing", "sync"), requirement, list(framing.sync)))
            found += first_byte_problems(framing)
            if framing.end and self.checksum is None:
                requirement = "must be left out without 'checksum': use a field 'constant'"
                found.append((("framing", "end"), requirement, list(framing.end)))
        elif isinstance(framing, StartStop):
            found += start_stop_problems(framing, self.checksum)
        elif isinstance(framing, Doubled):
            found += doubled_problems(framing, self.checksum)
        elif isinstance(framing, IdleGap) and nanoseconds(framing.gap) <= 0:
            found.append((("framing", "gap"), "must be > 0", framing.gap))
        return found

    def _checksum_problems(self) -> list[SettingProblem]:
        checksum = self.checksum
        if checksum is None:
            return []
        found: list[SettingProblem] = []
        own = (
            checksum.width_problems()
            if isinstance(checksum, CrcChecksum)
            else checksum.sum_problems(checksum.kind, checksum_size(checksum))
        )
        found += [(("checksum", *path), requirement, value) for path, requirement, value in own]
        covered = self.min_size - checksum_size(checksum) - len(self.end)
        if isinstance(self.framing, Fixed):
            covered = self.framing.length - checksum_size(checksum) - len(self.end)
        if checksum.first >= covered:
            requirement = f"must be < {covered}, where the checksum is"
            found.append((("checksum", "from"), requirement, checksum.first))
        return found

    def _length_problems(self) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        rests = [index for index, field in enumerate(self.in_order) if size_of(field) is None]
        found.extend(
            (("fields", index), "must be the last field, as it is the rest", "rest")
            for index in rests
            if index != len(self.in_order) - 1
        )
        framing, fewest = self.framing, self.min_size
        if isinstance(framing, Fixed):
            if framing.length > self.max_length:
                requirement = f"must be <= 'max_length', which is {self.max_length}"
                found.append((("framing", "length"), requirement, framing.length))
            if self.repeat is not None:
                found += group_problems(self.repeat, framing.length, fewest)
            elif not rests and framing.length != fewest:
                requirement = (
                    f"must be {fewest}, which sync, fields and checksum take; use 'skip' for others"
                )
                found.append((("framing", "length"), requirement, framing.length))
            elif rests:
                found.extend(self._rest_problems(rests[-1], framing.length - fewest))
            return found
        around = 2 if isinstance(framing, StartStop | SlipFraming | CobsFraming) else 0
        around = 4 if isinstance(framing, Doubled) else around
        if fewest + around > self.max_length:
            requirement = f"must be >= {fewest + around}, which a frame takes"
            found.append((("max_length",), requirement, self.max_length))
        lengths = [
            index for index, field in enumerate(self.in_order) if isinstance(field, LengthField)
        ]
        if isinstance(framing, LengthPrefix) and not lengths:
            found.append((("fields",), "must have a field 'length' for this framing", None))
        last = self.in_order[-1]
        if isinstance(last, Waveform) and last.samples == "rest":
            requirement = "must be a number, as the framing states no length of all frames"
            found.append((("fields", len(self.in_order) - 1, "samples"), requirement, "rest"))
        return found

    def _rest_problems(self, index: int, rest: int) -> list[SettingProblem]:
        field = self.in_order[index]
        width = 1
        path: tuple[str | int, ...] = ("fields", index, "bytes")
        if isinstance(field, Waveform):
            path, width = ("fields", index, "samples"), bytes_of_type(field.type)
        if rest < (2 * width if isinstance(field, Waveform) else 0) or rest % width:
            return [(path, f"must find whole samples in the length: {rest} bytes are left", "rest")]
        return []


def _skipped(field: AnyField) -> Skip:
    return Skip.model_validate({"is": "skip", "bytes": size_of(field)})
