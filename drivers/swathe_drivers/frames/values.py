"""What is in the fields: rows of bytes to columns of numbers, and which rows are faulty."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.fields import (
    AnyField,
    ByteOrder,
    ChannelField,
    ConstantField,
    CountsField,
    DeviceTimeField,
    IndexMarkField,
    IntervalField,
    MaskedNumber,
    NumberField,
    ProbeField,
    RunningNumberField,
    Skip,
    StatusField,
    ValueField,
    Waveform,
    dtype_of,
    held_by,
)
from swathe_drivers.frames.packed import bytes_of_type, is_packed, limits, read_packed
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.inputs import HIGHEST_INPUT
from swathe_drivers.record_values import INT64_MAX, MAX_EXACT, Faulty, SentValues, outside_limits
from swathe_drivers.records import FaultReason, WaveformFormat
from swathe_drivers.talk.settings import to_bytes
from swathe_drivers.units import MAX_VALUE, largest, linear, nanoseconds

_OF_DAY: Final = (
    (24, 3600 * 10**9),
    (60, 60 * 10**9),
    (60, 10**9),
    (100, 10**7),
    (100, 10**5),
    (100, 10**3),
)
"""What each byte of a time of day is below, and what one of it is, ns."""


class FieldReader:
    """One field of many frames."""

    def __init__(self, field: AnyField, name: str, at: int, byte_order: ByteOrder) -> None:
        """The field is `at` bytes after the beginning of a frame's contents."""
        dtype = dtype_of(field, byte_order)
        kind = "u1" if isinstance(field, Skip) else field.sent_type
        self._packed = kind if is_packed(kind) else None
        self._little = (getattr(field, "byte_order", None) or byte_order) == "little"
        self.field = field
        self.name = name
        self.at = at
        self.dtype = dtype

    def packed(
        self, rows: NDArray[np.uint8], faulty: Faulty, skip: NDArray[np.bool_] | None = None
    ) -> NDArray[Any]:
        """The numbers as sent, shape (n,), also those of no type of numpy; `skip` has none."""
        if self._packed is None:
            return self.raw(rows)
        places = rows[:, self.at : self.at + self.dtype.itemsize]
        raw, good = read_packed(
            places, self._packed, little=self._little, point=isinstance(self.field, NumberField)
        )
        if skip is not None:
            good = good | skip
        if not good.all():
            faulty.add_all(
                np.flatnonzero(~good).tolist(),
                FaultReason.NUMBER,
                lambda row: f"{self.name}: {places[row].tobytes().hex(' ')} is no {self._packed}",
            )
        return raw

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
    for field in settings.in_order:
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


def read_time_fields(reader: FieldReader, field: DeviceTimeField, raw: NDArray[Any], faulty: Faulty) -> NDArray[np.int64]:  # fmt: skip
    """A column of times as ns, shape (n,)."""
    if field.written != "count":
        return _time_of_day(reader, field, raw, faulty)
    tick = field.tick_ns
    if raw.dtype.kind == "f":
        finite = _finite(reader, raw, faulty)
        values = np.where(finite, raw, 0.0) * float(tick)
        large = np.abs(values) >= float(1 << 63)
        reader.out_of_range(faulty, raw, large, "a time of less than 2**63 ns")
        return np.rint(np.where(large, 0.0, values)).astype(np.int64)
    most = (INT64_MAX - tick.denominator) // tick.numerator
    low, high = (0 if raw.dtype.kind == "u" else -most), most
    if field.bits is not None:
        low, high = 0, min(most, (1 << field.bits) - 1)
    lowest, highest = limits(field.type)
    if low > lowest or high < highest:
        outside = (raw < max(low, lowest)) | (raw > min(high, highest))
        reader.out_of_range(faulty, raw, outside, f"{low} to {high}")
        raw = np.where(outside, raw.dtype.type(0), raw)
    times = raw.astype(np.int64)
    if tick.denominator == 1:
        return times if tick.numerator == 1 else times * tick.numerator
    return (times * tick.numerator + tick.denominator // 2) // tick.denominator


def _time_of_day(
    reader: FieldReader, field: DeviceTimeField, raw: NDArray[Any], faulty: Faulty
) -> NDArray[np.int64]:
    """Times since midnight of bytes that are hours, minutes, seconds, hundredths, ns, shape (n,)."""
    base = 100 if field.type.startswith("bcd") else 256
    rest, parts = raw.astype(np.int64), []
    for _ in range(bytes_of_type(field.type)):
        rest, part = rest // base, rest % base
        parts.append(part)
    ns = np.zeros(raw.size, np.int64)
    good = np.ones(raw.size, np.bool_)
    for part, (limit, unit) in zip(reversed(parts), _OF_DAY, strict=False):
        good &= part < limit
        ns += part * unit
    if not good.all():
        faulty.add_all(
            np.flatnonzero(~good).tolist(),
            FaultReason.NUMBER,
            lambda row: (
                f"{reader.name}: {':'.join(str(one[row]) for one in parts[::-1])} is no time"
            ),
        )
    return np.where(good, ns, 0)


def read_interval(
    reader: FieldReader, field: IntervalField, raw: NDArray[Any], faulty: Faulty
) -> NDArray[np.int64]:
    """A column of times between samples as ns, shape (n,); they are > 0."""
    counts = raw.astype(np.int64)
    reader.out_of_range(faulty, raw, counts == 0, "more than 0")
    tick = field.tick_ns
    most = INT64_MAX // (tick.numerator * 65536)
    reader.out_of_range(faulty, raw, counts > most, f"at most {most}")
    counts = np.minimum(counts, most)
    return (counts * tick.numerator + tick.denominator // 2) // tick.denominator


def read_counts(
    reader: FieldReader, field: CountsField, raw: NDArray[Any], faulty: Faulty
) -> NDArray[Any]:
    """A column of counts, shape (n,), all of them exact as doubles."""
    raw = _under_mask(field, raw)
    lowest, highest = held_by(field)
    low, high = max(lowest, -MAX_EXACT), min(highest, MAX_EXACT)
    if field.bits is not None:
        low, high = (
            (0, (1 << field.bits) - 1)
            if lowest == 0
            else (-(1 << (field.bits - 1)), (1 << (field.bits - 1)) - 1)
        )
    if low > lowest or high < highest:
        reader.out_of_range(faulty, raw, (raw < low) | (raw > high), f"{low} to {high}")
    return raw


def read_sequence(
    reader: FieldReader, field: RunningNumberField, raw: NDArray[Any], faulty: Faulty
) -> NDArray[Any]:
    """A column of running numbers, shape (n,)."""
    raw = _under_mask(field, raw)
    high = INT64_MAX if field.wrap is None else field.wrap - 1
    lowest, highest = limits(field.type)
    if lowest < 0 or high < highest:
        reader.out_of_range(faulty, raw, (raw < 0) | (raw > high), f"0 to {high}")
    return raw


def read_inputs(
    reader: FieldReader, field: ProbeField, raw: NDArray[Any], faulty: Faulty
) -> NDArray[Any]:
    """A column of numbers of inputs, shape (n,); bits of those that are present as they are."""
    if field.present:
        beyond = raw.astype(np.int64) >> len(field.inputs) != 0
        reader.out_of_range(faulty, raw, beyond, f"bits of {len(field.inputs)} inputs")
        return raw
    raw = _under_mask(field, raw)
    if field.inputs:
        allowed = f"one of {', '.join(map(str, field.inputs))}"
        reader.out_of_range(faulty, raw, ~np.isin(raw, field.inputs), allowed)
    else:
        outside = (raw < 0) | (raw > HIGHEST_INPUT)
        reader.out_of_range(faulty, raw, outside, f"0 to {HIGHEST_INPUT}")
    return raw


def _under_mask(field: MaskedNumber | NumberField | CountsField, raw: NDArray[Any]) -> NDArray[Any]:
    """The number that is in the bits under the mask, if there is one, shape (n,)."""
    if field.mask is None or field.mask_width is None:
        return raw
    found = np.asarray((raw & raw.dtype.type(field.mask)) >> raw.dtype.type(field.shift))
    if isinstance(field, MaskedNumber) or not field.signed:
        return found
    sign = np.int64(1 << field.mask_width - 1)
    return (found.astype(np.int64) ^ sign) - sign


def read_status(
    reader: FieldReader,
    field: StatusField,
    raw: NDArray[Any],
    faulty: Faulty,
    places: NDArray[np.int64] | None = None,
) -> NDArray[np.bool_]:
    """Rows that are valid, shape (n,); `places` are those of samples in their frames."""
    if field.mask is not None:
        if field.per_sample and places is not None:
            return np.asarray(raw.astype(np.int64) >> places & field.mask == field.valid_when)
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
                lambda row: f"{reader.name}: {raw[row].item()} is none of {known}",
            )
    return valid


def read_mark(field: IndexMarkField, raw: NDArray[Any]) -> NDArray[np.bool_]:
    """Rows with which an encoder passed its index mark, shape (n,)."""
    return np.asarray((raw & raw.dtype.type(field.mask)) != 0)


def differs(field: ConstantField, raw: NDArray[Any]) -> NDArray[np.bool_]:
    """Rows in which a constant is another number, shape (n,)."""
    if field.mask is not None:
        raw = raw & raw.dtype.type(_as_sent(field.mask, raw.dtype))
    return np.asarray(raw != raw.dtype.type(field.value))


class NumberReader(FieldReader):
    """A time of flight, thickness, amplitude or position with its limits.

    Limits are checked after all fields are read, as they don't hold for a reading without echo.
    """

    def __init__(self, field: AnyField, name: str, at: int, byte_order: ByteOrder) -> None:
        super().__init__(field, name, at, byte_order)
        assert isinstance(field, NumberField)  # noqa: S101  for the type checker
        self.value = field
        absent = field.absent if isinstance(field, ValueField) else ()
        nan = "nan" if field.type[0] == "f" else None
        self._numbers = [one for one in absent if not isinstance(one, str) or one == nan]
        self._texts = [
            np.frombuffer(to_bytes(one), np.uint8)
            for one in absent
            if isinstance(one, str) and one != nan
        ]

    def _blank(self, rows: NDArray[np.uint8]) -> NDArray[np.bool_] | None:
        """Rows with the bytes that stand for no value, shape (n,); None if there are no such."""
        if not self._texts:
            return None
        places = rows[:, self.at : self.at + self.dtype.itemsize]
        blank = np.zeros(rows.shape[0], np.bool_)
        for text in self._texts:
            blank |= (places == text).all(axis=1)
        return blank

    def read(self, rows: NDArray[np.uint8], faulty: Faulty) -> SentValues:
        """Return the values in the field's unit, of the frames' bytes, shape (n, width)."""
        field = self.value
        absent = self._blank(rows)
        raw = _under_mask(field, self.packed(rows, faulty, skip=absent))
        for sentinel in self._numbers:
            same = np.isnan(raw) if sentinel == "nan" else np.equal(raw, raw.dtype.type(sentinel))
            absent = same if absent is None else absent | same
        if absent is not None and not absent.any():
            absent = None
        values = raw.astype(np.float64)
        if raw.dtype.kind == "f":
            good = _finite(self, raw, faulty, absent)
            if not good.all():
                values[~good] = 0.0
        values = linear(values, field.scale, field.offset)
        most = MAX_VALUE if isinstance(field, ChannelField) else largest(field.unit)
        if (
            raw.dtype.kind == "f"
            or abs(field.scale) > 1.0
            or abs(field.offset) > 1.0
            or most < MAX_VALUE
        ):
            outside = ~(np.abs(values) <= most)
            if outside.any():
                if absent is not None:
                    outside &= ~absent
                self.out_of_range(faulty, raw, outside, f"a value up to {most}")
                values[outside] = 0.0

        def check(faulty: Faulty, rows: NDArray[np.bool_] | None) -> None:
            outside = outside_limits(field, values, rows)
            if outside is not None and outside.any():
                self.out_of_range(faulty, values, outside, field.allowed)

        return SentValues(field, values, absent, check)


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
    reader: FieldReader, raw: NDArray[Any], faulty: Faulty, absent: NDArray[np.bool_] | None = None
) -> NDArray[np.bool_]:
    """Rows with a finite number; notes a fault for the others that are not `absent`."""
    finite: NDArray[np.bool_] = np.isfinite(raw)
    if not finite.all():
        bad = ~finite if absent is None else ~finite & ~absent
        faulty.add_all(
            np.flatnonzero(bad).tolist(),
            FaultReason.NOT_FINITE,
            lambda row: f"{reader.name}: {raw[row].item()} is not a finite number",
        )
    return finite
