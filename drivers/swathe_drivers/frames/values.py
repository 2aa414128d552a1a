"""What stands in the fields: rows of bytes to columns of numbers, and which rows are faulty."""

from fractions import Fraction
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.durations import nanoseconds
from swathe_drivers.faulty import Faulty
from swathe_drivers.frames.fields import (
    AnyField,
    Constant,
    Counts,
    DeviceTime,
    IndexMark,
    RunningNumber,
    ScaledField,
    Status,
    ValueField,
    Waveform,
    dtype_of,
    limits,
)
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.records import FaultReason, WaveformFormat
from swathe_drivers.units import MAX_VALUE, TIME_POWERS, scaled

_INT64_MAX: Final = 2**63 - 1
_MAX_EXACT: Final = 2**53


class Column:
    """One field of many frames."""

    def __init__(self, field: AnyField, name: str, at: int, dtype: np.dtype[Any]) -> None:
        """The field lies `at` bytes behind the beginning of a frame's contents."""
        self.field = field
        self.name = name
        self.at = at
        self.dtype = dtype

    def raw(self, rows: NDArray[np.uint8]) -> NDArray[Any]:
        """The numbers as sent, shape (n,); looks on into `rows`, shape (n, width)."""
        end = self.at + self.dtype.itemsize
        view: NDArray[Any] = rows[:, self.at : end].view(self.dtype)
        return view[:, 0]

    def samples(self, rows: NDArray[np.uint8], form: WaveformFormat) -> NDArray[Any]:
        """A copy of the A-scans, shape (n, samples)."""
        end = self.at + self.dtype.itemsize * form.samples
        return rows[:, self.at : end].view(self.dtype).astype(form.dtype)

    def out_of_range(
        self,
        faulty: Faulty,
        raw: NDArray[Any],
        outside: NDArray[np.bool_],
        allowed: str,
    ) -> None:
        """Note an `out_of_range` fault for the rows `outside`."""
        if outside.any():
            faulty.add_all(
                np.flatnonzero(outside).tolist(),
                FaultReason.OUT_OF_RANGE,
                lambda row: f"{self.name}: {raw[row].item()} is not {allowed}",
            )


def waveform_format(settings: FramesSettings) -> WaveformFormat | None:
    """The format of the A-scans that the settings describe; None if there are none."""
    for field in settings.fields:
        if isinstance(field, Waveform):
            return WaveformFormat(
                samples=settings.samples,
                interval_us=float(nanoseconds(field.interval) / 1000),
                start_us=float(nanoseconds(field.start) / 1000),
                full_scale=field.full_scale,
                zero=field.zero,
                dtype=dtype_of(field, settings.byte_order).newbyteorder("<"),
            )
    return None


def clock_tick(field: DeviceTime) -> Fraction:
    """What one count of a device's clock is, ns."""
    return Fraction(str(field.scale)) * int(10 ** TIME_POWERS[field.unit])


def clock_wrap(field: DeviceTime) -> int | None:
    """When a device's clock starts again at 0, ns; None if it never does."""
    bits = field.bits
    if bits is None and field.type in ("u1", "u2", "u4"):
        bits = 8 * int(field.type[1])
    return None if bits is None else round(clock_tick(field) * (1 << bits))


def count_bits(field: Counts) -> int | None:
    """The width at which a count rolls over; None if it never does."""
    size = int(field.type[1])
    if field.bits is None:
        return 8 * size if size <= 4 else None  # a double holds no more
    return field.bits


def sequence_wrap(field: RunningNumber) -> int | None:
    """When a running number starts again at 0; None if it never does."""
    if field.wrap is None:
        return limits(field.type)[1] + 1 if field.type != "u8" else None
    return field.wrap


def read_times(column: Column, field: DeviceTime, raw: NDArray[Any], faulty: Faulty) -> NDArray[np.int64]:  # fmt: skip
    """A column of times as ns, shape (n,)."""
    tick = clock_tick(field)
    if raw.dtype.kind == "f":
        finite = _finite(column, raw, faulty)
        values = np.where(finite, raw, 0.0) * float(tick)
        large = np.abs(values) >= float(1 << 63)
        column.out_of_range(faulty, raw, large, "a time of less than 2**63 ns")
        return np.rint(np.where(large, 0.0, values)).astype(np.int64)
    most = (_INT64_MAX - tick.denominator) // tick.numerator
    low, high = (0 if raw.dtype.kind == "u" else -most), most
    if field.bits is not None:
        low, high = 0, min(most, (1 << field.bits) - 1)
    least, greatest = limits(field.type)
    if low > least or high < greatest:
        outside = (raw < max(low, least)) | (raw > min(high, greatest))
        column.out_of_range(faulty, raw, outside, f"{low} to {high}")
        raw = np.where(outside, raw.dtype.type(0), raw)
    times = raw.astype(np.int64)
    if tick.denominator == 1:
        return times if tick.numerator == 1 else times * tick.numerator
    return (times * tick.numerator + tick.denominator // 2) // tick.denominator


def read_counts(column: Column, field: Counts, raw: NDArray[Any], faulty: Faulty) -> NDArray[Any]:
    """A column of counts, shape (n,), all of them exact as doubles."""
    least, greatest = limits(field.type)
    low, high = max(least, -_MAX_EXACT), min(greatest, _MAX_EXACT)
    if field.bits is not None:
        low, high = (
            (0, (1 << field.bits) - 1)
            if least == 0
            else (-(1 << (field.bits - 1)), (1 << (field.bits - 1)) - 1)
        )
    if low > least or high < greatest:
        column.out_of_range(faulty, raw, (raw < low) | (raw > high), f"{low} to {high}")
    return raw


def read_sequence(
    column: Column, field: RunningNumber, raw: NDArray[Any], faulty: Faulty
) -> NDArray[Any]:
    """A column of running numbers, shape (n,)."""
    high = _INT64_MAX if field.wrap is None else field.wrap - 1
    if high < limits(field.type)[1]:
        column.out_of_range(faulty, raw, raw > high, f"0 to {high}")
    return raw


def read_status(
    column: Column, field: Status, raw: NDArray[Any], faulty: Faulty
) -> NDArray[np.bool_]:
    """Rows that say valid, shape (n,)."""
    if field.mask is not None:
        mask = raw.dtype.type(_as_sent(field.mask, raw.dtype))
        return np.asarray(
            (raw & mask) == raw.dtype.type(_as_sent(field.valid_when or 0, raw.dtype))
        )
    valid = _among(raw, field.valid)
    if not valid.all():
        unknown = ~valid & ~_among(raw, field.invalid)
        if unknown.any():
            known = ", ".join(str(number) for number in (*field.valid, *field.invalid))
            faulty.add_all(
                np.flatnonzero(unknown).tolist(),
                FaultReason.STATUS,
                lambda row: f"{column.name}: {raw[row].item()} is none of {known}",
            )
    return valid


def read_mark(field: IndexMark, raw: NDArray[Any]) -> NDArray[np.bool_]:
    """Rows with which an encoder passed its index mark, shape (n,)."""
    return np.asarray((raw & raw.dtype.type(field.mask)) != 0)


def differs(field: Constant, raw: NDArray[Any]) -> NDArray[np.bool_]:
    """Rows in which a constant is another number, shape (n,)."""
    return np.asarray(raw != raw.dtype.type(field.value))


class ValueColumn(Column):
    """A time of flight, thickness, amplitude or position with its limits.

    Limits are checked after all fields are read, as they don't hold for a reading without echo.
    """

    def __init__(self, field: AnyField, name: str, at: int, dtype: np.dtype[Any]) -> None:
        super().__init__(field, name, at, dtype)
        assert isinstance(field, ScaledField)  # noqa: S101  for the type checker
        self.value = field

    def read(
        self, raw: NDArray[Any], faulty: Faulty
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None]:
        """Values in the field's unit, and the rows in which there is none (None if no such)."""
        field = self.value
        absent: NDArray[np.bool_] | None = None
        for sentinel in field.absent if isinstance(field, ValueField) else ():
            same = np.isnan(raw) if sentinel == "nan" else np.equal(raw, raw.dtype.type(sentinel))
            absent = same if absent is None else absent | same
        if absent is not None and not absent.any():
            absent = None
        values = raw.astype(np.float64)
        if raw.dtype.kind == "f":
            good = _finite(self, raw, faulty, absent)
            if not good.all():
                values[~good] = 0.0
        if field.scale != 1.0:
            values *= field.scale
        if field.offset != 0.0:
            values += field.offset
        if raw.dtype.kind == "f" or abs(field.scale) > 1.0 or abs(field.offset) > 1.0:
            outside = ~(np.abs(values) <= MAX_VALUE)
            if outside.any():
                if absent is not None:
                    outside &= ~absent
                self.out_of_range(faulty, raw, outside, f"a value up to {MAX_VALUE}")
                values[outside] = 0.0
        return values, absent

    def check(
        self, values: NDArray[np.float64], wanted: NDArray[np.bool_] | None, faulty: Faulty
    ) -> None:
        """Check the limits in the rows `wanted` (None: in all)."""
        low, high = self.value.min, self.value.max
        outside: NDArray[np.bool_] | None = None
        if low is not None:
            outside = values < low
        if high is not None:
            above = values > high
            outside = above if outside is None else outside | above
        if outside is None or not outside.any():
            return
        if wanted is not None:
            outside = outside & wanted
        allowed = f"{low} to {high}"
        if low is None:
            allowed = f"at most {high}"
        elif high is None:
            allowed = f"at least {low}"
        self.out_of_range(faulty, values, outside, allowed)

    def result(
        self, values: NDArray[np.float64], gone: NDArray[np.bool_] | None
    ) -> NDArray[np.float64]:
        """Values in mm, µs or percent, NaN where `gone`."""
        values = scaled(values, self.value.unit)
        return values if gone is None else np.where(gone, np.nan, values)


def _as_sent(bits: int, dtype: np.dtype[Any]) -> int:
    """A bit pattern as a number of `dtype`, which may be signed."""
    size = 8 * dtype.itemsize
    return bits - (1 << size) if dtype.kind == "i" and bits >> (size - 1) else bits


def _among(raw: NDArray[Any], numbers: tuple[int, ...]) -> NDArray[np.bool_]:
    found = np.zeros(raw.shape, np.bool_)
    for number in numbers:
        found |= raw == raw.dtype.type(number)
    return found


def _finite(
    column: Column, raw: NDArray[Any], faulty: Faulty, absent: NDArray[np.bool_] | None = None
) -> NDArray[np.bool_]:
    """Rows with a finite number; notes a fault for the others that are not `absent`."""
    finite: NDArray[np.bool_] = np.isfinite(raw)
    if not finite.all():
        bad = ~finite if absent is None else ~finite & ~absent
        faulty.add_all(
            np.flatnonzero(bad).tolist(),
            FaultReason.NOT_FINITE,
            lambda row: f"{column.name}: {raw[row].item()} is not a finite number",
        )
    return finite
