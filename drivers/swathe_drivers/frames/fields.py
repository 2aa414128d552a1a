"""What may stand in a binary frame: one table for each field, in the order of the bytes."""

from typing import Annotated, Final, Literal

import numpy as np
from pydantic import Field

from swathe_drivers.durations import Duration
from swathe_drivers.settings import Table
from swathe_drivers.units import LengthUnit, TimeUnit

ByteOrder = Literal["little", "big"]
Unsigned = Literal["u1", "u2", "u4", "u8"]
Integer = Literal["u1", "u2", "u4", "u8", "i1", "i2", "i4", "i8"]
Number = Literal["u1", "u2", "u4", "u8", "i1", "i2", "i4", "i8", "f4", "f8"]
Axis = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=32)]


class _Typed(Table):
    byte_order: ByteOrder | None = None
    """That of this field, if not that of the others."""


class Constant(_Typed):
    """A number that never changes; a frame in which it differs is of another kind."""

    kind: Literal["constant"] = Field(alias="is")
    type: Integer
    value: int


class Length(_Typed):
    """The length of the frame, for framing by `length_prefix`."""

    kind: Literal["length"] = Field(alias="is")
    type: Literal["u1", "u2", "u4"]


class Skip(Table):
    """Bytes that mean nothing here; `rest`: all up to the checksum, if any."""

    kind: Literal["skip"] = Field(alias="is")
    bytes: Annotated[int, Field(ge=1, le=65536)] | Literal["rest"] = 1


class DeviceTime(_Typed):
    """The device's own clock: a count of `scale` units, which starts again at 2**bits."""

    kind: Literal["device_time"] = Field(alias="is")
    type: Literal["u1", "u2", "u4", "u8", "i8", "f8"]
    unit: TimeUnit
    scale: float = Field(default=1.0, gt=0.0, le=1e9)
    bits: int | None = Field(default=None, ge=4, le=62)


class RunningNumber(_Typed):
    """Running number of the frame; starts again at 0 after `wrap` or what the type holds."""

    kind: Literal["sequence"] = Field(alias="is")
    type: Unsigned
    wrap: int | None = Field(default=None, ge=2, le=2**62)


class Counts(_Typed):
    """Raw count of an encoder; rolls over at 2**bits, or where the type does."""

    kind: Literal["counts"] = Field(alias="is")
    type: Integer
    axis: Axis
    bits: int | None = Field(default=None, ge=4, le=52)


class ScaledField(_Typed):
    """A number; its value in `unit` is `scale * sent + offset`, and so are its limits."""

    kind: str
    type: Number
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    min: float | None = None
    max: float | None = None


class Position(ScaledField):
    """Position of an axis that the device sends as a length."""

    kind: Literal["position"] = Field(alias="is")
    axis: Axis
    unit: LengthUnit


class ValueField(ScaledField):
    """A number that the device may not have."""

    absent: tuple[int | float | Literal["nan"], ...] = Field(default=(), max_length=16)
    """What the device sends when it has no echo: as sent, before `scale` and `offset`."""


class TimeOfFlight(ValueField):
    """Time of flight."""

    kind: Literal["time_of_flight"] = Field(alias="is")
    unit: TimeUnit


class Thickness(ValueField):
    """Thickness."""

    kind: Literal["thickness"] = Field(alias="is")
    unit: LengthUnit


class Amplitude(ValueField):
    """Amplitude of the echo, in percent of full screen height or as a fraction of it."""

    kind: Literal["amplitude"] = Field(alias="is")
    unit: Literal["%", "fraction"] = "%"


class Status(_Typed):
    """Whether the reading is valid: by numbers that say so, or by bits under a mask."""

    kind: Literal["status"] = Field(alias="is")
    type: Integer
    valid: tuple[int, ...] = Field(default=(), max_length=256)
    invalid: tuple[int, ...] = Field(default=(), max_length=256)
    mask: int | None = Field(default=None, ge=1, lt=2**63)
    valid_when: int | None = Field(default=None, ge=0, lt=2**63)
    """What the bits under `mask` are when the reading is valid."""
    shares: bool = False
    """The field lies in the same bytes as the one before."""


class IndexMark(_Typed):
    """Bits of which any is set in the frame with which an encoder passed its index mark."""

    kind: Literal["index_mark"] = Field(alias="is")
    type: Unsigned
    axis: Axis
    mask: int = Field(default=1, ge=1, lt=2**63)
    shares: bool = False
    """The field lies in the same bytes as the one before."""


class Waveform(_Typed):
    """An A-scan; its first sample is the earliest."""

    kind: Literal["waveform"] = Field(alias="is")
    type: Literal["i1", "i2", "u1", "u2"]
    samples: Annotated[int, Field(ge=2, le=32768)] | Literal["rest"]
    """How many; `rest`: what a fixed length leaves."""
    interval: Duration
    """Time between two samples."""
    start: Duration = "0 us"
    """Time of the first sample after the transmitter pulse."""
    full_scale: int = Field(ge=1, le=65535)
    """Counts above `zero` that are 100 % of full screen height."""
    zero: int = 0
    """The count of no signal; 128 or 32768, say, for offset binary."""


AnyField = Annotated[
    Constant
    | Length
    | Skip
    | DeviceTime
    | RunningNumber
    | Counts
    | Position
    | TimeOfFlight
    | Thickness
    | Amplitude
    | Status
    | IndexMark
    | Waveform,
    Field(discriminator="kind"),
]

ON_AXIS: Final = (Counts, Position, IndexMark)


def dtype_of(field: AnyField, byte_order: ByteOrder) -> np.dtype[np.generic]:
    """The numpy type of a field's numbers, bytes for one that is skipped."""
    if isinstance(field, Skip):
        return np.dtype(np.uint8)
    order = field.byte_order or byte_order
    return np.dtype(("<" if order == "little" else ">") + field.type)


def limits(kind: str) -> tuple[int, int]:
    """The least and the greatest number of an integer type."""
    found = np.iinfo(kind)
    return int(found.min), int(found.max)


def size_of(field: AnyField) -> int | None:
    """Bytes that a field takes in the frame; None for the rest of it."""
    if isinstance(field, Skip):
        return None if field.bytes == "rest" else field.bytes
    width = np.dtype(field.type).itemsize
    if isinstance(field, Waveform):
        return None if field.samples == "rest" else field.samples * width
    return 0 if isinstance(field, Status | IndexMark) and field.shares else width


def name_of(field: AnyField, index: int) -> str:
    """How messages call a field."""
    axis = f" {field.axis}" if isinstance(field, ON_AXIS) else ""
    return f"field {index + 1} ({field.kind}{axis})"
