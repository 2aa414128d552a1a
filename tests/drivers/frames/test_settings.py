"""Every mistake in the settings of frames is told, at once, and in one shape."""

from typing import Any

import pytest

from drivers.frames.tables import CRC_MODBUS, GAUGE, VARIANTS
from swathe_drivers.errors import SettingsError
from swathe_drivers.frames import FramesDriver, FramesSettings
from swathe_drivers.settings import read_settings

KEY = "device.gauge.protocol"
FIXED = {"kind": "fixed", "sync": [0xA5], "length": 3}
PREFIX = {"kind": "length_prefix", "sync": [0xA5]}
ENDS = {"kind": "start_stop", "start": 2, "stop": 3}
COUNT = {"is": "counts", "type": "u2", "axis": "scan"}
LENGTH = {"is": "length", "type": "u1"}
TOF = {"is": "time_of_flight", "type": "u2", "unit": "ns"}
SCAN = {"is": "waveform", "type": "i2", "samples": 4, "interval": "10 ns", "full_scale": 100}


def ends(*fields: dict[str, Any], **others: Any) -> dict[str, Any]:
    """Settings of frames between a start and a stop byte."""
    return {"framing": ENDS, "fields": list(fields)} | others


@pytest.mark.parametrize("table", VARIANTS.values(), ids=VARIANTS.keys())
def test_settings_survive_being_written_and_read(table: dict[str, Any]) -> None:
    """Settings dumped by alias, as the journal keeps them, read back the same."""
    settings = read_settings(FramesSettings, table, key=KEY)
    dumped = settings.model_dump(mode="json", by_alias=True)
    assert read_settings(FramesSettings, dumped, key=KEY) == settings


def test_settings_have_the_usual_defaults() -> None:
    """Only the framing and the fields must be given."""
    settings = FramesSettings.model_validate({"framing": FIXED, "fields": [COUNT]})
    assert (settings.byte_order, settings.max_length) == ("little", 4096)
    assert settings.checksum is None
    assert settings.other_frames == "fault"
    assert settings.size == 3


@pytest.mark.parametrize(
    "text", ["10 ns", "0.01us", ".01 µs", " 10e-9 s", "10", "ns", "2000 s", ""]
)
def test_duration_needs_a_number_and_a_unit(text: str) -> None:
    """Plain decimal numbers with a unit of time are understood, others told."""
    table = ends(SCAN | {"interval": text})
    if text in ("10 ns", "0.01us", ".01 µs"):
        decoder = FramesDriver(read_settings(FramesSettings, table, key=KEY)).decoder(ns_per_byte=0)
        assert decoder.waveform is not None
        assert decoder.waveform.interval_us == 0.01
        return
    with pytest.raises(SettingsError) as caught:
        read_settings(FramesSettings, table, key=KEY)
    assert str(caught.value) == (
        f"'{KEY}.fields[0].interval' must be a time of at most 1000 s with its unit,"
        f" like '10 ns' or '0.5 us' (got {text!r})"
    )


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"fields": [COUNT]}, f"'{KEY}.framing' must be given"),
        ({"framing": {"kind": "fixd"}, "fields": [COUNT]},
         (f"'{KEY}.framing.kind' must be one of 'fixed', 'length_prefix', 'start_stop', 'doubled', 'slip', 'cobs', 'idle_gap'"
          " (got 'fixd')")),
        (
            {"framing": FIXED, "fields": []},
            f"'{KEY}.fields' must be given, or a table 'record' for each kind of frames",
        ),
        (
            {"framing": FIXED, "record": [{"fields": [COUNT]}, {"fields": [COUNT]}]},
            (f"'{KEY}.record[1].fields' must differ from record[0] in a 'constant' at the same place,"
            " in its length, or in the poll that each 'answers': nothing shows which of both a frame is"
             ""),
        ),
        (ends({"is": "skip"}),
         (f"'{KEY}.fields' must have at least one of time_of_flight, thickness, waveform, counts"
          " and position (got ['skip'])")),
        (ends(COUNT, {"is": "amplitude", "type": "u1"}),
         (f"'{KEY}.fields' must have a time_of_flight, thickness or waveform in addition to amplitude"
          " (got 'amplitude')")),
        (ends(TOF, TOF), f"'{KEY}.fields' must have one time_of_flight at most (got 2)"),
        (ends(COUNT, COUNT), f"'{KEY}.fields' must have one field for the axis 'scan' (got 2)"),
        (ends(COUNT, {"is": "index_mark", "type": "u1", "axis": "index"}),
         f"'{KEY}.fields' must have counts for the axis of the index mark 'index' (got 'index')"),
        ({"framing": FIXED | {"length": 4}, "fields": [COUNT]},
         (f"'{KEY}.framing.length' must be 3, which sync, fields and checksum take; use 'skip' for"
          " others (got 4)")),
        ({"framing": {"kind": "fixed", "length": 2}, "fields": [COUNT]},
         (f"'{KEY}.framing.sync' must be given, or a checksum: otherwise nothing shows where a"
          " frame begins (got [])")),
        ({"framing": FIXED | {"length": 5000}, "fields": [COUNT, {"is": "skip", "bytes": "rest"}]},
         f"'{KEY}.framing.length' must be <= 'max_length', which is 4096 (got 5000)"),
        ({"framing": FIXED | {"length": 8}, "fields": [SCAN | {"samples": "rest"}]},
         (f"'{KEY}.fields[0].samples' must find whole samples in the length: 7 bytes are left"
          " (got 'rest')")),
        ({"framing": FIXED | {"sync": [256]}, "fields": [COUNT]},
         f"'{KEY}.framing.sync[0]' must be <= 255 (got 256)"),
        ({"framing": PREFIX, "fields": [COUNT]},
         f"'{KEY}.fields' must have a field 'length' for this framing"),
        ({"framing": PREFIX, "fields": [LENGTH, SCAN | {"samples": "rest"}]},
         (f"'{KEY}.fields[1].samples' must be a number, as the framing states no length of all"
          " frames (got 'rest')")),
        ({"framing": PREFIX, "fields": [LENGTH, {"is": "skip", "bytes": "rest"}, COUNT]},
         f"'{KEY}.fields[1]' must be the last field, as it is the rest (got 'rest')"),
        (ends(LENGTH, COUNT),
         (f"'{KEY}.fields[0].is' must be 'skip' but for framing by 'length_prefix'"
          " (got 'length')")),
        (ends(COUNT, max_length=3), f"'{KEY}.max_length' must be >= 4, which a frame takes (got 3)"),
        (ends(COUNT, framing=ENDS | {"xor": 32}),
         f"'{KEY}.framing.xor' must be left out without 'escape' (got 32)"),
        (ends(COUNT, framing=ENDS | {"escape": 3}),
         f"'{KEY}.framing.escape' must be neither the start nor the stop byte (got 3)"),
        (ends(COUNT, framing=ENDS | {"stop": 2, "escape": 5}),
         f"'{KEY}.framing.xor' must be > 0, as the start byte is the stop byte, too (got 0)"),
        (ends(COUNT, framing={"kind": "idle_gap", "gap": "0 ms"}),
         f"'{KEY}.framing.gap' must be > 0 (got '0 ms')"),
        (ends(COUNT, checksum={"kind": "crc16"}),
         (f"'{KEY}.checksum.kind' must be one of 'sum8', 'sum16', 'xor8', 'fletcher16', 'crc'"
          " (got 'crc16')")),
        (ends(COUNT, checksum=CRC_MODBUS | {"poly": 0x18005}),
         f"'{KEY}.checksum.poly' must have at most 16 bits, the width (got 98309)"),
        (ends(COUNT, checksum={"kind": "sum8", "from": 2}),
         f"'{KEY}.checksum.from' must be < 2, where the checksum is (got 2)"),
        (ends(COUNT | {"bits": 17}),
         (f"'{KEY}.fields[0].bits' must be <= 16, the bits of the type, and only for whole binary numbers"
          " (got 17)")),
        (ends(COUNT | {"type": "f4"}),
         (f"'{KEY}.fields[0].type' must be 'u1', 'u2', 'u4', 'u8', 'i1', 'i2', 'i4', 'i8',"
          " 'u3', 'i3', 'bcd1', 'bcd2', 'bcd3', 'bcd4', 'bcd5', 'bcd6', 'sbcd1', 'sbcd2', 'sbcd3', 'sbcd4', 'sbcd5', 'sbcd6', 'septet1', 'septet2', 'septet3', 'septet4', 'septet5', 'sextet1', 'sextet2', 'sextet3', 'sextet4', 'sextet5', 'digits1', 'digits2', 'digits3',"
          " 'digits4', 'digits5', 'digits6', 'digits7', 'digits8', 'digits9', 'digits10', 'digits11' or"
          " 'digits12'"
          " (got 'f4')")),
        (ends(COUNT | {"unit": "mm"}),
         f"'{KEY}.fields[0].unit' must be left out: there is no such setting (got 'mm')"),
        (ends({"type": "u1"}), f"'{KEY}.fields[0].is' must be given"),
        (ends(COUNT, {"is": "sequence", "type": "u1", "wrap": 257}),
         f"'{KEY}.fields[1].wrap' must be <= 256, which the type holds (got 257)"),
        (ends(TOF | {"min": 5, "max": 4}),
         f"'{KEY}.fields[0].max' must be > 'min', which is 5.0 (got 4.0)"),
        (ends(TOF | {"scale": 0}), f"'{KEY}.fields[0].scale' must not be 0 (got 0.0)"),
        (ends(COUNT | {"signed": True}),
         (f"'{KEY}.fields[0].signed' must be left out but for septets and sextets and with 'mask': other types are signed by"
          " themselves, as i4 is (got True)")),
        (ends(COUNT | {"sign": "behind"}),
         f"'{KEY}.fields[0].sign' must be left out but for digits, which have a sign as text (got 'behind')"),
        (ends(COUNT, {"is": "sequence", "type": "u1", "mask": 0x50}),
         f"'{KEY}.fields[1].mask' must be bits one next to the other, as 0xF0 (got 80)"),
        (ends(COUNT, {"is": "sequence", "type": "u1", "mask": 0x1F0}),
         f"'{KEY}.fields[1].mask' must have at most 8 bits, those of the type (got 496)"),
        (ends(COUNT, {"is": "sequence", "type": "bcd1", "mask": 0x0F}),
         f"'{KEY}.fields[1].mask' must be left out but for u1, u2, u3, u4 and u8 (got 15)"),
        (ends(COUNT, {"is": "sequence", "type": "u1", "mask": 0xF0, "wrap": 17}),
         f"'{KEY}.fields[1].wrap' must be <= 16, which 'mask' holds (got 17)"),
        (ends(TOF | {"absent": [1.5]}),
         f"'{KEY}.fields[0].absent[0]' must be a whole number, as the field's are (got 1.5)"),
        (ends(TOF | {"absent": [0, -1]}),
         f"'{KEY}.fields[0].absent[1]' must be 0 to 65535, which u2 holds (got -1)"),
        (ends(COUNT, {"is": "constant", "type": "i1", "value": 128}),
         f"'{KEY}.fields[1].value' must be -128 to 127, which i1 holds (got 128)"),
        (ends(TOF, {"is": "status", "type": "u1"}),
         f"'{KEY}.fields[1].valid' must be given, or 'mask' and 'valid_when'"),
        (ends(TOF, {"is": "status", "type": "u1", "valid": [1], "invalid": [1]}),
         f"'{KEY}.fields[1].invalid' must not repeat a number of 'valid' (got [1])"),
        (ends(TOF, {"is": "status", "type": "u1", "valid": [1], "mask": 1}),
         f"'{KEY}.fields[1].mask' must be left out with 'valid' or 'invalid' (got 1)"),
        (ends(TOF, {"is": "status", "type": "u1", "mask": 2}),
         f"'{KEY}.fields[1].valid_when' must be given with 'mask'"),
        (ends(TOF, {"is": "status", "type": "u1", "mask": 2, "valid_when": 1}),
         f"'{KEY}.fields[1].valid_when' must have no bit outside 'mask' (got 1)"),
        (ends(TOF, {"is": "status", "type": "u1", "mask": 256, "valid_when": 0}),
         f"'{KEY}.fields[1].mask' must have at most 8 bits, those of the type (got 256)"),
        (ends(TOF, {"is": "status", "type": "u1", "valid": [1], "shares": True}),
         f"'{KEY}.fields[1].type' must have 2 bytes, as the field before (got 'u1')"),
        (ends({"is": "status", "type": "u1", "valid": [1], "shares": True}, TOF),
         f"'{KEY}.fields[0].shares' must have a field with a number before it (got True)"),
        (ends(SCAN | {"interval": "0 ns"}), f"'{KEY}.fields[0].interval' must be > 0 (got '0 ns')"),
        (ends(SCAN | {"type": "u1", "zero": 256}),
         f"'{KEY}.fields[0].zero' must be 0 to 255, which u1 holds (got 256)"),
        (ends(SCAN | {"full_scale": 0}), f"'{KEY}.fields[0].full_scale' must be >= 1 (got 0)"),
    ],
)  # fmt: skip
def test_settings_with_mistake_say_key_requirement_and_value(
    table: dict[str, Any], message: str
) -> None:
    """One mistake gives one message, with the path as it stands in the file."""
    with pytest.raises(SettingsError) as caught:
        read_settings(FramesSettings, table, key=KEY)
    assert str(caught.value) == message


def test_settings_with_many_mistakes_tell_all_at_once() -> None:
    """Nobody has to start the program once per mistake."""
    table = {
        "framing": {"kind": "fixed", "length": 4},
        "checksum": {"kind": "crc", "width": 8, "poly": 0x107, "from": 9},
        "fields": [*GAUGE, COUNT | {"bits": 20}],
    }
    with pytest.raises(SettingsError) as caught:
        read_settings(FramesSettings, table, key=KEY)
    problems = [caught.value, *caught.value.others]
    assert [problem.key for problem in problems] == [
        f"{KEY}.fields",
        f"{KEY}.checksum.poly",
        f"{KEY}.checksum.from",
        f"{KEY}.framing.length",
        f"{KEY}.fields[7].bits",
    ]
