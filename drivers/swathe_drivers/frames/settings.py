"""Settings of binary frames: how they are found, and what is in them."""

from typing import Literal, Self

from pydantic import Field, model_validator

from swathe_drivers.columns import GateText, gate_problems, is_of_other_gate, record_problems
from swathe_drivers.frames.fields import (
    AnyField,
    ByteOrder,
    ConstantField,
    CountsField,
    DeviceTimeField,
    IndexMarkField,
    LengthField,
    NumberField,
    RunningNumberField,
    Skip,
    StatusField,
    ValueField,
    Waveform,
    size_of,
)
from swathe_drivers.frames.framing import (
    Checksum,
    CrcChecksum,
    Fixed,
    Framing,
    IdleGap,
    LengthPrefix,
    SlipFraming,
    StartStop,
    checksum_size,
)
from swathe_drivers.frames.packed import bytes_of_type, digits_of, limits
from swathe_drivers.settings import SettingProblem, SettingsTable, raise_problems
from swathe_drivers.units import nanoseconds


class FramesSettings(SettingsTable):
    """Binary frames with fields one behind the other."""

    framing: Framing
    byte_order: ByteOrder = "little"
    """Of the numbers without one of their own."""
    max_length: int = Field(default=4096, ge=2, le=65536)
    """The most bytes of a frame as it is on the line, with all that frames it."""
    checksum: Checksum | None = None
    """At the very end of the frame (with `start_stop`: before the stop byte)."""
    fields: tuple[AnyField, ...] = Field(min_length=1, max_length=64)
    """From the first byte behind `sync` or `start` on."""
    gate: GateText | None = None
    """The gate whose values count, where there are fields of several."""
    other_frames: Literal["fault", "ignore"] = "fault"
    """What to make of a frame whose constant fields differ."""

    @property
    def in_order(self) -> tuple[AnyField, ...]:
        """What is in a frame; a value of another gate means nothing."""
        return tuple(
            _skipped(field) if is_of_other_gate(field, self.gate) else field
            for field in self.fields
        )

    @property
    def identifies(self) -> bool:
        """Something in a frame shows that it is of this kind: a constant field."""
        return any(isinstance(field, ConstantField) for field in self.in_order)

    @property
    def sync(self) -> bytes:
        """The bytes at the beginning of a frame that are no field."""
        return bytes(self.framing.sync) if isinstance(self.framing, Fixed | LengthPrefix) else b""

    @property
    def size(self) -> int | None:
        """Bytes of a frame without start, stop and escape bytes; None if that varies."""
        if isinstance(self.framing, Fixed):
            return self.framing.length
        sizes = [size_of(field) for field in self.in_order]
        return None if None in sizes else self.min_size

    @property
    def min_size(self) -> int:
        """The fewest bytes of a frame, without start, stop and escape bytes."""
        taken = sum(size_of(field) or 0 for field in self.in_order)
        return len(self.sync) + taken + checksum_size(self.checksum)

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
        found = [
            *self._content_problems(),
            *self._framing_problems(),
            *self._checksum_problems(),
            *self._length_problems(),
            *(
                (("fields", index, *path), requirement, value)
                for index, field in enumerate(self.in_order)
                for path, requirement, value in self._field_problems(field, index)
            ),
        ]
        raise_problems(self, found)
        return self

    def _content_problems(self) -> list[SettingProblem]:
        return gate_problems(self.fields, self.gate) or record_problems(
            self.in_order,
            key="fields",
            noun="field",
            measured=("time_of_flight", "thickness", "waveform"),
        )

    def _framing_problems(self) -> list[SettingProblem]:
        framing = self.framing
        found: list[SettingProblem] = []
        if isinstance(framing, Fixed | LengthPrefix):
            if not framing.sync and self.checksum is None:
                requirement = (
                    "must be given, or a checksum: otherwise nothing shows where a frame begins"
                )
                found.append((("framing", "sync"), requirement, list(framing.sync)))
        elif isinstance(framing, StartStop):
            if framing.escape is None:
                if framing.xor:
                    found.append(
                        (("framing", "xor"), "must be left out without 'escape'", framing.xor)
                    )
            elif framing.escape in (framing.start, framing.stop):
                requirement = "must be neither the start nor the stop byte"
                found.append((("framing", "escape"), requirement, framing.escape))
            elif framing.start == framing.stop and not framing.xor:
                requirement = "must be > 0, as the start byte is the stop byte, too"
                found.append((("framing", "xor"), requirement, framing.xor))
        elif isinstance(framing, IdleGap) and nanoseconds(framing.gap) <= 0:
            found.append((("framing", "gap"), "must be > 0", framing.gap))
        return found

    def _checksum_problems(self) -> list[SettingProblem]:
        checksum = self.checksum
        if checksum is None:
            return []
        found: list[SettingProblem] = []
        if isinstance(checksum, CrcChecksum):
            found += [
                (("checksum", *path), requirement, value)
                for path, requirement, value in checksum.width_problems()
            ]
        elif checksum.kind == "xor8" and checksum.negated:
            requirement = "must be left out with 'xor8', which is no sum"
            found.append((("checksum", "negated"), requirement, True))
        covered = self.min_size - checksum_size(checksum)
        if isinstance(self.framing, Fixed):
            covered = self.framing.length - checksum_size(checksum)
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
            if not rests and framing.length != fewest:
                requirement = (
                    f"must be {fewest}, which sync, fields and checksum take; use 'skip' for others"
                )
                found.append((("framing", "length"), requirement, framing.length))
            elif rests:
                found.extend(self._rest_problems(rests[-1], framing.length - fewest))
            return found
        around = 2 if isinstance(framing, StartStop | SlipFraming) else 0
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

    def _field_problems(self, field: AnyField, index: int) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if isinstance(field, Skip):
            return found
        if isinstance(field, LengthField) and not isinstance(self.framing, LengthPrefix):
            found.append((("is",), "must be 'skip' but for framing by 'length_prefix'", "length"))
        if isinstance(field, ConstantField):
            found.extend(_outside(field.type, ("value",), field.value))
        elif isinstance(field, Waveform):
            found.extend(_outside(field.type, ("zero",), field.zero))
            if nanoseconds(field.interval) <= 0:
                found.append((("interval",), "must be > 0", field.interval))
        elif isinstance(field, NumberField):
            if field.scale == 0.0:
                found.append((("scale",), "must not be 0", field.scale))
            found += field.limit_problems()
            for place, value in enumerate(field.absent if isinstance(field, ValueField) else ()):
                if field.type[0] == "f" or (field.type[0] == "d" and value != "nan"):
                    continue
                if not isinstance(value, int):
                    requirement = "must be a whole number, as the field's are"
                    found.append((("absent", place), requirement, value))
                else:
                    found.extend(_outside(field.type, ("absent", place), value))
        elif isinstance(field, CountsField | DeviceTimeField):
            size = 8 * bytes_of_type(field.type)
            wide = field.type[0] == "f" or digits_of(field.type) is not None
            if field.bits is not None and (field.bits > size or wide):
                requirement = (
                    f"must be <= {size}, the bits of the type, and only for whole binary numbers"
                )
                found.append((("bits",), requirement, field.bits))
            if isinstance(field, CountsField):
                found += field.roll_over_problems(field.bits)
        elif isinstance(field, RunningNumberField):
            if field.wrap is not None and field.wrap > limits(field.type)[1] + 1:
                requirement = f"must be <= {limits(field.type)[1] + 1}, which the type holds"
                found.append((("wrap",), requirement, field.wrap))
        elif isinstance(field, StatusField):
            found.extend(self._status_problems(field))
        if isinstance(field, StatusField | IndexMarkField):
            found.extend(self._bit_problems(field, index))
        return found

    def _status_problems(self, field: StatusField) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if field.mask is None:
            if not field.valid:
                found.append((("valid",), "must be given, or 'mask' and 'valid_when'", None))
            if field.valid_when is not None:
                requirement = "must be left out without 'mask'"
                found.append((("valid_when",), requirement, field.valid_when))
        elif field.valid or field.invalid:
            found.append((("mask",), "must be left out with 'valid' or 'invalid'", field.mask))
        elif field.valid_when is None:
            found.append((("valid_when",), "must be given with 'mask'", None))
        elif field.valid_when & ~field.mask:
            requirement = "must have no bit outside 'mask'"
            found.append((("valid_when",), requirement, field.valid_when))
        for name, numbers in (("valid", field.valid), ("invalid", field.invalid)):
            for place, number in enumerate(numbers):
                found.extend(_outside(field.type, (name, place), number))
        both = sorted(set(field.valid) & set(field.invalid))
        if both:
            found.append((("invalid",), "must not repeat a number of 'valid'", both))
        return found

    def _bit_problems(
        self, field: StatusField | IndexMarkField, index: int
    ) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if field.mask is not None and field.mask >> (8 * bytes_of_type(field.type)):
            requirement = (
                f"must have at most {8 * bytes_of_type(field.type)} bits, those of the type"
            )
            found.append((("mask",), requirement, field.mask))
        if field.shares:
            before = self.in_order[index - 1] if index else None
            if before is None or isinstance(before, Skip | Waveform):
                found.append((("shares",), "must have a field with a number before it", True))
            elif bytes_of_type(before.type) != bytes_of_type(field.type):
                requirement = f"must have {bytes_of_type(before.type)} bytes, as the field before"
                found.append((("type",), requirement, field.type))
        return found


def _skipped(field: AnyField) -> Skip:
    return Skip.model_validate({"is": "skip", "bytes": size_of(field)})


def _outside(kind: str, path: tuple[str | int, ...], value: int) -> list[SettingProblem]:
    low, high = limits(kind)
    if low <= value <= high:
        return []
    return [(path, f"must be {low} to {high}, which {kind} holds", value)]
