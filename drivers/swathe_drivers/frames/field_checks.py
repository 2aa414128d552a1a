"""What is wrong with the fields of frames, one by one, and with several kinds of frames together."""

from collections.abc import Sequence

from swathe_drivers.frames.fields import (
    AnyField,
    ConstantField,
    CountsField,
    DeviceTimeField,
    IndexMarkField,
    LengthField,
    MaskedNumber,
    NumberField,
    ProbeField,
    RunningNumberField,
    Skip,
    StatusField,
    ValueField,
    Waveform,
    held_by,
)
from swathe_drivers.frames.framing import Framing, LengthPrefix
from swathe_drivers.frames.packed import bits_of_type, bytes_of_type, digits_of, limits
from swathe_drivers.settings import SettingProblem
from swathe_drivers.talk.settings import to_bytes
from swathe_drivers.units import nanoseconds


def field_problems(
    fields: Sequence[AnyField], index: int, framing: Framing, *, without_value: bool = False
) -> list[SettingProblem]:
    """Return what is wrong with one field of a frame by itself.

    Args:
        fields: of the frame.
        index: of the field.
        framing: of the frame.
        without_value: whether such frames, among others, are readings without an echo.
    """
    field = fields[index]
    found: list[SettingProblem] = []
    if isinstance(field, Skip):
        return found
    if isinstance(field, LengthField) and not isinstance(framing, LengthPrefix):
        found.append((("is",), "must be 'skip' but for framing by 'length_prefix'", "length"))
    if isinstance(field, ConstantField):
        found.extend(_outside(field.type, ("value",), field.value))
        if field.mask is not None:
            if field.mask >> (8 * bytes_of_type(field.type)):
                bits = 8 * bytes_of_type(field.type)
                requirement = f"must have at most {bits} bits, those of the type"
                found.append((("mask",), requirement, field.mask))
            elif field.value & ~field.mask:
                found.append((("value",), "must have no bit outside 'mask'", field.value))
    elif isinstance(field, Waveform):
        found.extend(_outside(field.type, ("zero",), field.zero))
        if nanoseconds(field.interval) <= 0:
            found.append((("interval",), "must be > 0", field.interval))
    elif isinstance(field, NumberField):
        if field.scale == 0.0:
            found.append((("scale",), "must not be 0", field.scale))
        found += field.limit_problems()
        for place, value in enumerate(field.absent if isinstance(field, ValueField) else ()):
            if isinstance(value, str) and not (value == "nan" and field.type[0] == "f"):
                found.extend(_absent_problems(field, place, value))
                continue
            if field.type[0] in "fd":
                continue
            if not isinstance(value, int):
                requirement = "must be a whole number, as the field's are"
                found.append((("absent", place), requirement, value))
            else:
                low, high = held_by(field)
                if not low <= value <= high:
                    what = field.type if field.mask is None else "'mask'"
                    requirement = f"must be {low} to {high}, which {what} holds"
                    found.append((("absent", place), requirement, value))
    elif isinstance(field, DeviceTimeField) and field.written != "count":
        found += _time_of_day_problems(field)
    elif isinstance(field, CountsField | DeviceTimeField):
        if isinstance(field, DeviceTimeField) and field.unit is None:
            found.append((("unit",), "must be given, or written = 'hhmmss'", None))
        mask = field.mask_width if isinstance(field, CountsField) else None
        size = mask or bits_of_type(field.type)
        wide = field.type[0] == "f" or digits_of(field.type) is not None
        if field.bits is not None and (field.bits > size or wide):
            requirement = (
                f"must be <= {size}, the bits of the {'mask' if mask else 'type'}, and only for"
                " whole binary numbers"
            )
            found.append((("bits",), requirement, field.bits))
        if isinstance(field, CountsField):
            found += field.roll_over_problems(field.bits)
    elif isinstance(field, RunningNumberField):
        found.extend(_masked_problems(field))
        found.extend(_wrap_problems(field))
    elif isinstance(field, ProbeField) and field.present:
        found.extend(_present_problems(field))
    elif isinstance(field, ProbeField):
        found.extend(_masked_problems(field))
        for place, probe in enumerate(field.inputs):
            if probe >= _values_of(field):
                requirement = f"must be < {_values_of(field)}, which the field can hold"
                found.append((("inputs", place), requirement, probe))
    elif isinstance(field, StatusField):
        found.extend(_status_problems(field, without_value=without_value))
    if isinstance(field, CountsField | NumberField):
        found.extend(_sign_problems(field))
        found.extend(_masked_problems(field))
    if isinstance(field, StatusField | IndexMarkField | MaskedNumber | CountsField | NumberField):
        found.extend(_bit_problems(field, fields[index - 1] if index else None))
    return found


def _present_problems(field: ProbeField) -> list[SettingProblem]:
    """Return what is wrong with bits that show which inputs have a group."""
    found: list[SettingProblem] = []
    if field.type not in ("u1", "u2", "u4"):
        found.append((("type",), "must be u1, u2 or u4 with 'present'", field.type))
    elif not 1 <= len(field.inputs) <= 8 * bytes_of_type(field.type):
        requirement = f"must name the input of each bit, the lowest first: at most {8 * bytes_of_type(field.type)}"
        found.append((("inputs",), requirement, list(field.inputs)))
    if len(set(field.inputs)) < len(field.inputs):
        found.append((("inputs",), "must be different", list(field.inputs)))
    if field.mask is not None:
        found.append((("mask",), "must be left out with 'present'", field.mask))
    return found


def _time_of_day_problems(field: DeviceTimeField) -> list[SettingProblem]:
    """Return what is wrong with a clock whose bytes are hours, minutes and seconds."""
    found: list[SettingProblem] = []
    for key in ("unit", "scale", "bits"):
        if key in field.model_fields_set and getattr(field, key) is not None:
            requirement = "must be left out, as the time is written 'hhmmss'"
            found.append(((key,), requirement, getattr(field, key)))
    if field.type not in ("u3", "u4", "bcd3", "bcd4", "bcd5", "bcd6"):
        requirement = "must be bcd3 to bcd6, u3 or u4: a byte for each of hours, minutes, seconds"
        found.append((("type",), requirement, field.type))
    return found


def _absent_problems(field: NumberField, place: int, text: str) -> list[SettingProblem]:
    """Return what is wrong with bytes that stand for no value."""
    size = bytes_of_type(field.type)
    try:
        found = len(to_bytes(text))
    except ValueError:
        found = -1
    if found == size:
        return []
    requirement = f"must be a number, or {size} bytes as 'hex:...' or text, as many as the type has"
    return [(("absent", place), requirement, text)]


def _sign_problems(field: CountsField | NumberField) -> list[SettingProblem]:
    found: list[SettingProblem] = []
    if field.signed and field.mask is None and not field.type.startswith(("septet", "sextet")):
        requirement = (
            "must be left out but for septets and sextets and with 'mask': other types are signed by themselves,"
            " as i4 is"
        )
        found.append((("signed",), requirement, True))
    if field.sign == "behind" and not field.type.startswith("digits"):
        requirement = "must be left out but for digits, which have a sign as text"
        found.append((("sign",), requirement, field.sign))
    return found


def _values_of(field: MaskedNumber | CountsField | NumberField) -> int:
    """How many values a number from 0 can have."""
    return limits(field.type)[1] + 1 if field.mask is None else (field.mask >> field.shift) + 1


def _masked_problems(field: MaskedNumber | CountsField | NumberField) -> list[SettingProblem]:
    found: list[SettingProblem] = []
    if field.mask is not None:
        most = _values_of(field)
        if field.type not in ("u1", "u2", "u3", "u4", "u8"):
            found.append((("mask",), "must be left out but for u1, u2, u3, u4 and u8", field.mask))
        elif most & (most - 1) or most < 2:
            requirement = "must be bits one next to the other, as 0xF0"
            found.append((("mask",), requirement, field.mask))
    return found


def _wrap_problems(field: RunningNumberField) -> list[SettingProblem]:
    found: list[SettingProblem] = []
    most = _values_of(field)
    if field.wrap is not None and field.wrap > most:
        held = "the type holds" if field.mask is None else "'mask' holds"
        found.append((("wrap",), f"must be <= {most}, which {held}", field.wrap))
    return found


def _status_problems(field: StatusField, *, without_value: bool) -> list[SettingProblem]:
    found: list[SettingProblem] = []
    if field.mask is None:
        if not field.valid and not (without_value and field.invalid):
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
    field: StatusField | IndexMarkField | MaskedNumber | CountsField | NumberField,
    before: AnyField | None,
) -> list[SettingProblem]:
    found: list[SettingProblem] = []
    if field.mask is not None and field.mask >> (8 * bytes_of_type(field.type)):
        requirement = f"must have at most {8 * bytes_of_type(field.type)} bits, those of the type"
        found.append((("mask",), requirement, field.mask))
    if field.shares:
        if before is None or isinstance(before, Skip | Waveform):
            found.append((("shares",), "must have a field with a number before it", True))
        elif bytes_of_type(before.type) != bytes_of_type(field.type):
            requirement = f"must have {bytes_of_type(before.type)} bytes, as the field before"
            found.append((("type",), requirement, field.type))
    return found


def _outside(kind: str, path: tuple[str | int, ...], value: int) -> list[SettingProblem]:
    low, high = limits(kind)
    if low <= value <= high:
        return []
    return [(path, f"must be {low} to {high}, which {kind} holds", value)]
