"""Fields of frames to records."""

import math
import struct
from typing import Any

import numpy as np
import pytest

from drivers.frames.feeding import assert_parses, faults_of, make
from drivers.frames.frame_model import build
from drivers.frames.tables import VARIANTS
from swathe_drivers.abc import Decoder, Driver
from swathe_drivers.frames import FramesDriver, FramesSettings
from swathe_drivers.records import ABSENT_SEQUENCE, ABSENT_TIME, FaultReason, WaveformFormat
from swathe_drivers.registry import load_driver

COUNT = {"is": "counts", "type": "u1", "axis": "scan"}
THICKNESS = {"is": "thickness", "type": "u1", "unit": "mm"}


def table(*fields: dict[str, Any], **others: Any) -> dict[str, Any]:
    """Settings of frames between 0xFE and 0xFF with an escape byte."""
    framing = {"kind": "start_stop", "start": 0xFE, "stop": 0xFF, "escape": 0xFD, "xor": 0x20}
    return {"framing": framing, "fields": list(fields)} | others


def with_field(**field: Any) -> dict[str, Any]:
    """Settings with a count and one more field."""
    return table(COUNT, {"is" if key == "kind" else key: value for key, value in field.items()})


def test_decoder_offers_what_the_protocol_asks() -> None:
    """Driver and decoder fit their protocols, and say what they give."""
    assert load_driver("frames") is FramesDriver
    settings = FramesSettings.model_validate(VARIANTS["fixed"])
    assert isinstance(FramesDriver(settings), Driver)
    decoder = make(VARIANTS["fixed"])
    assert isinstance(decoder, Decoder)
    assert decoder.axes == ("scan",)
    assert decoder.count_periods == {"scan": 1 << 16}
    assert decoder.length_axes == frozenset()
    assert decoder.gives == {"time_of_flight", "amplitude"}
    assert (decoder.gives_readings, decoder.gives_positions, decoder.combined) == (True,) * 3
    assert decoder.waveform is None
    assert not decoder.has_clock
    assert decoder.clock_wrap_ns is None
    assert decoder.sequence_wrap == 256


def test_decoder_of_a_scans_says_what_they_mean() -> None:
    """A device that sends A-scans gives readings, and the format of the samples."""
    decoder = make(VARIANTS["length"])
    assert decoder.gives == {"waveform"}
    assert (decoder.gives_readings, decoder.gives_positions) == (True, False)
    assert decoder.waveform == WaveformFormat(
        samples=6, interval_us=0.01, start_us=0.5, full_scale=32767, zero=0, dtype=np.dtype("<i2")
    )
    assert decoder.clock_wrap_ns == 2**32 * 1000
    assert decoder.sequence_wrap is None
    batch = decoder.feed(b"", 0)
    assert batch.waveforms is not None
    assert batch.waveforms.shape == (0, 6)


@pytest.mark.parametrize(
    ("type_", "bits"),
    [("u1", 8), ("i2", 16), ("u4", 32), ("i4", 32), ("u8", None), ("i8", None)],
)
def test_count_rolls_over_where_its_type_does(type_: str, bits: int | None) -> None:
    """Unless the settings say that it has fewer bits."""
    field = {"is": "counts", "type": type_, "axis": "scan"}
    assert make(table(field)).count_periods == {"scan": bits and 1 << bits}
    assert make(table(field | {"bits": 7})).count_periods == {"scan": 1 << 7}
    decimal = field | {"rolls_over_after": 100}
    assert make(table(decimal)).count_periods == {"scan": 100}


@pytest.mark.parametrize("order", ["little", "big"])
def test_feed_every_type_is_read_in_both_byte_orders(order: str) -> None:
    """Numbers of each type arrive as they were packed; a field may have an order of its own."""
    mark = "<" if order == "little" else ">"
    other, other_mark = ("big", ">") if order == "little" else ("little", "<")
    for type_, code, value in [
        ("u1", "B", 200), ("u2", "H", 60_000), ("u4", "I", 4_000_000_000), ("u8", "Q", 2**52),
        ("i1", "b", -100), ("i2", "h", -30_000), ("i4", "i", -2_000_000_000), ("i8", "q", -(2**52)),
        ("f4", "f", -0.75), ("f8", "d", 1e-3),
    ]:  # fmt: skip
        fields = [
            COUNT,
            {"is": "position", "type": type_, "axis": "index", "unit": "mm"},
            {"is": "position", "type": type_, "axis": "turn", "unit": "in", "byte_order": other},
        ]
        settings = table(*fields, byte_order=order)
        content = b"\x07" + struct.pack(mark + code, value) + struct.pack(other_mark + code, value)
        found = assert_parses(settings, build(settings, content) * 2)
        assert found.positions["counts"].tolist() == [[7.0, value, value * 25.4]] * 2


def test_feed_scaled_values_are_in_our_units() -> None:
    """The value in the field's unit is scale * sent + offset; then the unit changes."""
    settings = table(
        {"is": "time_of_flight", "type": "u2", "unit": "ns", "scale": 2.5, "offset": -100.0},
        {"is": "thickness", "type": "f4", "unit": "thou"},
        {"is": "amplitude", "type": "u1", "unit": "fraction", "scale": 0.005},
    )
    found = assert_parses(settings, build(settings, struct.pack("<HfB", 4040, 500.0, 160)))
    (reading,) = found.readings
    assert reading["time_of_flight"] == 10.0
    assert reading["thickness"] == 12.7
    assert reading["amplitude"] == pytest.approx(80.0)
    assert reading["valid"]
    assert (reading["device_time"], reading["sequence"]) == (ABSENT_TIME, ABSENT_SEQUENCE)


@pytest.mark.parametrize(
    ("field", "sent", "time"),
    [
        ({"type": "u4", "unit": "ns", "scale": 62.5}, struct.pack("<I", 3), 188),
        ({"type": "u4", "unit": "us", "scale": 0.1}, struct.pack("<I", 2**32 - 1), (2**32 - 1) * 100),
        ({"type": "u8", "unit": "ns"}, struct.pack("<Q", 2**63 - 2), 2**63 - 2),
        ({"type": "i8", "unit": "ms"}, struct.pack("<q", -5), -5_000_000),
        ({"type": "f8", "unit": "s"}, struct.pack("<d", 1.5), 1_500_000_000),
    ],
)  # fmt: skip
def test_feed_device_time_becomes_nanoseconds(
    field: dict[str, Any], sent: bytes, time: int
) -> None:
    """Exactly where the tick is a whole number of ns, to the nearest where not."""
    settings = with_field(kind="device_time", **field)
    found = assert_parses(settings, build(settings, b"\x01" + sent))
    assert found.positions["device_time"].tolist() == [time]


def test_clock_wrap_follows_from_type_bits_and_scale() -> None:
    """A counter of 24 bits at 16 MHz starts again after 1.048576 s; one of 64 bits never does."""
    narrow = with_field(kind="device_time", type="u4", unit="ns", scale=62.5, bits=24)
    assert make(narrow).clock_wrap_ns == 1_048_576_000
    assert make(with_field(kind="device_time", type="u8", unit="ns")).clock_wrap_ns is None
    assert make(with_field(kind="sequence", type="u2")).sequence_wrap == 65536
    assert make(with_field(kind="sequence", type="u2", wrap=1000)).sequence_wrap == 1000
    assert make(with_field(kind="sequence", type="u8")).sequence_wrap is None


@pytest.mark.parametrize(
    ("field", "sent"),
    [
        ({"type": "u2", "absent": [0, 65535]}, b"\xff\xff"),
        ({"type": "u2", "absent": [0, 65535], "scale": 0.1, "offset": 3.0}, b"\x00\x00"),
        ({"type": "i2", "absent": [-1]}, b"\xff\xff"),
        ({"type": "f4", "absent": ["nan"]}, struct.pack("<f", math.nan)),
        ({"type": "f4", "absent": [-1.5], "min": 0.0}, struct.pack("<f", -1.5)),
        ({"type": "f8", "absent": [1e300]}, struct.pack("<d", 1e300)),
    ],
)
def test_feed_sentinel_is_a_reading_without_echo(field: dict[str, Any], sent: bytes) -> None:
    """The sentinel is looked for in the number as sent; limits don't hold for it."""
    settings = with_field(kind="time_of_flight", unit="us", **field)
    found = assert_parses(settings, build(settings, b"\x09" + sent))
    (reading,) = found.readings
    assert not reading["valid"]
    assert math.isnan(reading["time_of_flight"])
    assert found.positions["counts"].tolist() == [[9.0]]
    assert not found.n_faults


def test_feed_absent_amplitude_leaves_the_reading_valid() -> None:
    """Only the amplitude is not a number then."""
    settings = table(THICKNESS, {"is": "amplitude", "type": "u1", "absent": [255], "max": 110})
    (reading,) = assert_parses(settings, build(settings, b"\x05\xff")).readings
    assert reading["valid"]
    assert math.isnan(reading["amplitude"])


@pytest.mark.parametrize(
    ("status", "valid"),
    [(0x02, True), (0x42, True), (0x00, False), (0x06, False), (0x83, True)],
)
def test_feed_flags_say_valid_and_index_mark(status: int, valid: bool) -> None:
    """Bits under a mask, and a mark in the same byte."""
    settings = table(
        THICKNESS,
        {"is": "status", "type": "u1", "mask": 0x06, "valid_when": 0x02},
        {"is": "index_mark", "type": "u1", "axis": "scan", "mask": 0x81, "shares": True},
        COUNT,
    )
    found = assert_parses(settings, build(settings, bytes([5, status, 7])))
    assert found.readings["valid"].tolist() == [valid]
    assert found.positions["mark"].tolist() == [[status == 0x83]]
    assert found.positions["counts"].tolist() == [[7.0]]


@pytest.mark.parametrize(
    ("field", "sent", "reason", "detail"),
    [
        ({"kind": "thickness", "type": "u1", "unit": "mm", "min": 5}, b"\x04", "out_of_range",
         "field 2 (thickness): 4.0 is not at least 5.0"),
        ({"kind": "thickness", "type": "u1", "unit": "mm", "scale": 0.5, "max": 1}, b"\x04",
         "out_of_range", "field 2 (thickness): 2.0 is not at most 1.0"),
        ({"kind": "position", "type": "i1", "axis": "index", "unit": "mm", "min": 0, "max": 9},
         b"\xff", "out_of_range", "field 2 (position index): -1.0 is not 0.0 to 9.0"),
        ({"kind": "thickness", "type": "f4", "unit": "mm"}, struct.pack("<f", math.inf),
         "not_finite", "field 2 (thickness): inf is not a finite number"),
        ({"kind": "thickness", "type": "f8", "unit": "mm"}, struct.pack("<d", 1e31),
         "out_of_range", "field 2 (thickness): 1e+31 is not a value up to 1e+30"),
        ({"kind": "counts", "type": "u4", "axis": "index", "bits": 24}, b"\x00\x00\x00\x01",
         "out_of_range", "field 2 (counts index): 16777216 is not 0 to 16777215"),
        ({"kind": "counts", "type": "i2", "axis": "index", "bits": 12}, struct.pack("<h", -2049),
         "out_of_range", "field 2 (counts index): -2049 is not -2048 to 2047"),
        ({"kind": "counts", "type": "u8", "axis": "index"}, b"\x01\x00\x00\x00\x00\x00\x20\x00",
         "out_of_range", "field 2 (counts index): 9007199254740993 is not 0 to 9007199254740992"),
        ({"kind": "sequence", "type": "u2", "wrap": 100}, b"\x64\x00",
         "out_of_range", "field 2 (sequence): 100 is not 0 to 99"),
        ({"kind": "sequence", "type": "u8"}, b"\x00" * 7 + b"\x80",
         "out_of_range", "field 2 (sequence): 9223372036854775808 is not 0 to 9223372036854775807"),
        ({"kind": "device_time", "type": "u2", "unit": "ms", "bits": 10}, b"\x00\x04",
         "out_of_range", "field 2 (device_time): 1024 is not 0 to 1023"),
        ({"kind": "device_time", "type": "f8", "unit": "s"}, struct.pack("<d", 1e10),
         "out_of_range", "field 2 (device_time): 10000000000.0 is not a time of less than 2**63 ns"),
        ({"kind": "device_time", "type": "f8", "unit": "s"}, struct.pack("<d", math.nan),
         "not_finite", "field 2 (device_time): nan is not a finite number"),
        ({"kind": "constant", "type": "i2", "value": -2}, struct.pack("<h", 5),
         "unknown_frame", "field 2 (constant): 5 is not -2"),
        ({"kind": "constant", "type": "u1", "value": 7}, b"",
         "length", "1 bytes where there should be 2"),
        ({"kind": "constant", "type": "u1", "value": 7}, b"\x07\x07\x07",
         "length", "4 bytes where there should be 2"),
    ],
)  # fmt: skip
def test_feed_faulty_frame_is_told_and_disturbs_no_neighbour(
    field: dict[str, Any], sent: bytes, reason: str, detail: str
) -> None:
    """A faulty frame is one fault with offset, length and words; many are told alike."""
    settings = with_field(**field)
    bad = build(settings, b"\x01" + sent)
    found = assert_parses(settings, bad * 30)
    fault = faults_of(found)[1]
    assert fault.reason == reason
    assert fault.detail == detail
    assert (fault.offset, fault.length) == (len(bad), len(bad))
    assert found.n_faults == {FaultReason(reason): 30}
    assert found.fault_bytes == 30 * len(bad)
    assert found.positions.size == 0


def test_feed_unknown_status_is_told() -> None:
    """A number that the settings do not name is a fault, not a guess."""
    settings = table(THICKNESS, {"is": "status", "type": "u1", "valid": [1, 2], "invalid": [0]})
    good = [build(settings, bytes([5, number])) for number in (1, 0, 2)]
    found = assert_parses(settings, b"".join(good) + build(settings, b"\x05\x09"))
    assert found.readings["valid"].tolist() == [True, False, True]
    (fault,) = faults_of(found)
    assert fault.reason is FaultReason.STATUS
    assert fault.detail == "field 2 (status): 9 is none of 1, 2, 0"


def test_feed_other_frames_ignored_when_settings_say_so() -> None:
    """Frames of another kind, also of another length, are counted but are no fault."""
    kind = {"is": "constant", "type": "u1", "value": 1}
    settings = table(kind, COUNT, THICKNESS, other_frames="ignore")
    other = build(settings, b"\x02") + build(settings, b"\x03" * 9)
    found = assert_parses(
        settings, other + build(settings, b"\x01\x05\x06") + build(settings, b"\x01")
    )
    assert found.n_ignored == 2
    assert found.ignored_bytes == len(other)
    assert found.n_faults == {FaultReason.LENGTH: 1}
    assert len(found.readings) == 1


def test_feed_limits_hold_only_for_a_valid_reading() -> None:
    """A number that a device repeats while it has no echo is not judged."""
    settings = table(
        {"is": "thickness", "type": "u1", "unit": "mm", "min": 5},
        {"is": "status", "type": "u1", "valid": [1], "invalid": [0]},
    )
    found = assert_parses(settings, build(settings, b"\x00\x00") + build(settings, b"\x00\x01"))
    assert found.readings["valid"].tolist() == [False]
    assert found.n_faults == {FaultReason.OUT_OF_RANGE: 1}
