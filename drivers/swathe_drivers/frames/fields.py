"""What may be in a binary frame: one table for each field, in the order of the bytes."""

from fractions import Fraction
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from swathe_drivers.columns import (
    AmplitudeValue,
    ChannelValue,
    Constant,
    Counts,
    DeviceTime,
    IndexMark,
    LimitedValue,
    PositionValue,
    ReadingStatus,
    RunningNumber,
    ThicknessValue,
    TimeOfFlightValue,
    kind_and_axis,
)
from swathe_drivers.frames.packed import (
    BcdType,
    DigitsType,
    SeptetType,
    SextetType,
    SignedBcdType,
    bits_of_type,
    bytes_of_type,
    digits_of,
    is_packed,
    limits,
)
from swathe_drivers.inputs import OfInput, ProbeNumber
from swathe_drivers.settings import SettingsTable
from swathe_drivers.units import DAY_NS, DurationText, TimeUnit, tick_ns

ByteOrder = Literal["little", "big"]
Unsigned = Literal["u1", "u2", "u4", "u8"]
Integer = Literal["u1", "u2", "u4", "u8", "i1", "i2", "i4", "i8"]
CountType = Literal[Integer, "u3", "i3", BcdType, SignedBcdType, SeptetType, SextetType, DigitsType]
NumberType = Literal[CountType, "f4", "f8"]


class _Typed(SettingsTable):
    byte_order: ByteOrder | None = None
    """That of this field, if not that of the others."""

    @property
    def sent_type(self) -> str:
        """The type with what else shows how its numbers are sent; see `packed`."""
        return str(getattr(self, "type", "u1"))


class _Signed(_Typed):
    signed: bool = False
    """Numbers of 6 or 7 bits a byte, or those under a mask, are a two's complement."""
    sign: Literal["before", "behind"] = "before"
    """Where the sign of digits is, if there is one."""

    @property
    def sent_type(self) -> str:
        """The type with what else shows how its numbers are sent; see `packed`."""
        kind = super().sent_type
        septets = self.signed and kind.startswith(("septet", "sextet"))
        return ("s" if septets else "") + kind + ("-" if self.sign == "behind" else "")


class _Masked(_Typed):
    shares: bool = False
    """The field is in the same bytes as the one before."""


class _Bits(_Masked):
    mask: int | None = Field(default=None, ge=1, lt=2**63)
    """The bits that are the number, one next to the other."""

    @property
    def shift(self) -> int:
        """Bits below those of the mask."""
        return 0 if self.mask is None else (self.mask & -self.mask).bit_length() - 1

    @property
    def mask_width(self) -> int | None:
        """Bits of the mask; None without one."""
        return None if self.mask is None else (self.mask >> self.shift).bit_length()


class ConstantField(_Typed, Constant):
    """A number that never changes; a frame in which it differs is of another kind."""

    type: Integer
    value: int
    mask: int | None = Field(default=None, ge=1, lt=2**63)
    """The bits that never change; `value` has no others."""


class LengthField(_Typed):
    """The length of the frame, for framing by `length_prefix`."""

    kind: Literal["length"] = Field(alias="is")
    type: Literal["u1", "u2", "u4"]


class Skip(SettingsTable):
    """Bytes that mean nothing here; `rest`: all up to the checksum, if any."""

    kind: Literal["skip"] = Field(alias="is")
    bytes: Annotated[int, Field(ge=1, le=65536)] | Literal["rest"] = 1


class DeviceTimeField(_Typed, DeviceTime):
    """The device's own clock: a count of `scale` units, which starts again at 2**bits.

    Or a time of day, which starts again at midnight: hours, minutes, seconds, each in a byte, and
    perhaps hundredths of a second and hundredths of these in further ones.
    """

    type: Literal["u1", "u2", "u3", "u4", "u8", "i8", "f8", BcdType]
    unit: TimeUnit | None = None
    """Of a count."""
    written: Literal["count", "hhmmss"] = "count"
    scale: float = Field(default=1.0, gt=0.0, le=1e9)
    bits: int | None = Field(default=None, ge=4, le=62)

    @property
    def tick_ns(self) -> Fraction:
        """Time of one count, ns."""
        assert self.unit is not None  # noqa: S101  ensured by the checks
        return tick_ns(self.scale, self.unit)

    @property
    def wrap_ns(self) -> int | None:
        """Time after which it starts again at 0, ns; None if it never does."""
        if self.written != "count" or self.unit is None:
            return DAY_NS
        if self.bits is None and self.type.startswith("bcd"):
            return round(self.tick_ns * (limits(self.type)[1] + 1))
        bits = self.bits
        if bits is None and self.type in ("u1", "u2", "u3", "u4"):
            bits = 8 * bytes_of_type(self.type)
        return None if bits is None else round(self.tick_ns * (1 << bits))


class MaskedNumber(_Bits):
    """A number from 0, which may be some of the bits."""

    type: Literal[Unsigned, "u3", BcdType, SeptetType, SextetType, DigitsType]


class ProbeField(MaskedNumber, ProbeNumber):
    """The input of the device that the reading is of, or bits of those that have a group in the frame."""

    present: bool = False
    """Before groups: each bit, the lowest first, shows whether the group of one of `inputs` is there."""


class RunningNumberField(MaskedNumber, RunningNumber):
    """Running number of the frame; starts again at 0 after `wrap` or what type or mask holds."""

    @property
    def modulus(self) -> int | None:
        """Frames after which it starts again at 0; None if it never does."""
        if self.wrap is None:
            if self.mask is not None:
                return (self.mask >> self.shift) + 1
            return limits(self.type)[1] + 1 if self.type != "u8" else None
        return self.wrap


class CountsField(_Signed, _Bits, Counts):
    """Raw count of an encoder; rolls over at 2**bits, or where the type or the mask does."""

    type: CountType
    bits: int | None = Field(default=None, ge=4, le=52)

    @property
    def width(self) -> int | None:
        """Bits at which it rolls over; None if it never does."""
        if digits_of(self.type) is not None:
            return None
        if self.bits is None:
            bits = self.mask_width or bits_of_type(self.type)
            return bits if bits <= 35 else None  # a double holds no more
        return self.bits

    @property
    def period(self) -> int | None:
        """Counts after which it repeats; None if it never does."""
        if self.rolls_over_after is None and self.type.startswith("bcd"):
            return limits(self.type)[1] + 1
        return super().period


class NumberField(_Signed, _Bits, LimitedValue):
    """A number; its value in `unit` is `scale * sent + offset`, and so are its limits."""

    type: NumberType
    scale: float = 1.0
    offset: float = 0.0


class PositionField(PositionValue, NumberField):
    """Position of an axis that the device sends as a length."""


class ValueField(NumberField):
    """A number that the device may not have."""

    absent: tuple[int | float | Annotated[str, Field(max_length=64)], ...] = Field(
        default=(), max_length=16
    )
    """What the device sends when it has no echo: numbers, before `scale` and `offset`, or bytes."""


class TimeOfFlightField(TimeOfFlightValue, ValueField):
    """Time of flight."""


class ThicknessField(ThicknessValue, ValueField):
    """Thickness."""


class AmplitudeField(AmplitudeValue, ValueField):
    """Amplitude of the echo, in percent of full screen height or as a fraction of it."""


class ChannelField(ChannelValue, ValueField):
    """A further number: a temperature, a gain, a battery's level, the value of another gate."""


class IntervalField(_Typed):
    """The time from one sample of the frame to the next, in `scale` units."""

    kind: Literal["interval"] = Field(alias="is")
    type: Literal["u1", "u2", "u3", "u4"]
    unit: TimeUnit
    scale: float = Field(default=1.0, gt=0.0, le=1e9)

    @property
    def tick_ns(self) -> Fraction:
        """Time of one count, ns."""
        return tick_ns(self.scale, self.unit)


class StatusField(_Masked, ReadingStatus):
    """Whether the reading is valid: by numbers that mean so, or by bits under a mask."""

    type: Integer
    valid: tuple[int, ...] = Field(default=(), max_length=256)
    invalid: tuple[int, ...] = Field(default=(), max_length=256)
    mask: int | None = Field(default=None, ge=1, lt=2**63)
    valid_when: int | None = Field(default=None, ge=0, lt=2**63)
    """What the bits under `mask` are when the reading is valid."""
    per_sample: bool = False
    """`mask` is of the first sample of the frame; each further one has it one bit higher."""


class IndexMarkField(_Masked, IndexMark):
    """Bits of which any is set in the frame with which an encoder passed its index mark."""

    type: Unsigned
    mask: int = Field(default=1, ge=1, lt=2**63)


class Waveform(_Typed, OfInput):
    """An A-scan; its first sample is the earliest."""

    kind: Literal["waveform"] = Field(alias="is")
    type: Literal["i1", "i2", "i4", "u1", "u2", "u4"]
    samples: Annotated[int, Field(ge=2, le=32768)] | Literal["rest"]
    """How many; `rest`: what a fixed length leaves."""
    interval: DurationText
    """Time between two samples."""
    start: DurationText = "0 us"
    """Time of the first sample after the transmitter pulse."""
    full_scale: int = Field(ge=1, le=2**32 - 1)
    """Counts above `zero` that are 100 % of full screen height."""
    zero: int = 0
    """The count of no signal; 128 or 32768, say, for offset binary."""


AnyField = Annotated[
    ConstantField
    | LengthField
    | Skip
    | DeviceTimeField
    | IntervalField
    | RunningNumberField
    | ProbeField
    | CountsField
    | PositionField
    | TimeOfFlightField
    | ThicknessField
    | AmplitudeField
    | ChannelField
    | StatusField
    | IndexMarkField
    | Waveform,
    Field(discriminator="kind"),
]


def held_by(field: CountsField | NumberField) -> tuple[int, int]:
    """Return the minimum and maximum of the whole numbers that a field can hold."""
    width = field.mask_width
    if width is None:
        return limits(field.sent_type)
    return (-(1 << width - 1), (1 << width - 1) - 1) if field.signed else (0, (1 << width) - 1)


def dtype_of(field: AnyField, byte_order: ByteOrder) -> np.dtype[np.generic]:
    """The numpy type of a field's numbers, bytes for one that is skipped."""
    if isinstance(field, Skip):
        return np.dtype(np.uint8)
    if is_packed(field.type):
        return np.dtype((np.void, bytes_of_type(field.type)))
    order = field.byte_order or byte_order
    return np.dtype(("<" if order == "little" else ">") + field.type)


def size_of(field: AnyField) -> int | None:
    """Bytes that a field takes in the frame; None for the rest of it."""
    if isinstance(field, Skip):
        return None if field.bytes == "rest" else field.bytes
    width = bytes_of_type(field.type)
    if isinstance(field, Waveform):
        return None if field.samples == "rest" else field.samples * width
    return 0 if isinstance(field, _Masked) and field.shares else width


def name_of(field: AnyField, index: int) -> str:
    """Return what messages call a field."""
    return f"field {index + 1} ({kind_and_axis(field)})"
