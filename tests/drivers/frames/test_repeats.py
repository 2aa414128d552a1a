"""Several samples in one frame: each a record, with the time of its own."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swathe_drivers import FaultReason
from swathe_drivers.errors import SettingsError
from swathe_drivers.frames import FramesDecoder, FramesSettings
from swathe_drivers.settings import read_settings

CLOCK = {"is": "device_time", "type": "u2", "unit": "ms"}
STATUS = {"is": "status", "type": "u1", "mask": 4, "valid_when": 0, "per_sample": True}
VALUE = {"is": "thickness", "type": "bcd1", "unit": "mm", "max": 50}
GROUP = {"fields": [VALUE], "interval": "10 ms", "clock_of": "last"}


def _settings(**others: Any) -> FramesSettings:
    table = {
        "framing": {"kind": "fixed", "sync": [0xA5], "length": 7},
        "byte_order": "big",
        "fields": [CLOCK, STATUS],
        "repeat": GROUP,
    }
    return read_settings(FramesSettings, table | others, key="block")


def test_samples_are_records_up_to_the_clock() -> None:
    """The clock is of the last one here; the mask of the status moves up with the samples."""
    decoder = FramesDecoder(_settings())
    found = decoder.feed(bytes.fromhex("A5 0064 08 10 11 12  A5 0000 04 20 21 22"), 5)
    readings = found.readings
    # Sample 2 of the first frame has bit 3 set, sample 1 of the second bit 2.
    assert readings["valid"].tolist() == [True, False, True, False, True, True]
    np.testing.assert_array_equal(readings["thickness"], [10, np.nan, 12, np.nan, 21, 22])
    wrap = 65_536_000_000
    assert decoder.clock_wrap_ns == wrap
    millis = 1_000_000
    assert readings["device_time"].tolist() == [
        *(80 * millis, 90 * millis, 100 * millis),
        *(wrap - 20 * millis, wrap - 10 * millis, 0),
    ]
    # Each ends where its frame does, and none has the offset of another.
    assert readings["offset"].tolist() == [0, 1, 2, 7, 8, 9]
    assert (readings["offset"] + readings["size"]).tolist() == [7, 7, 7, 14, 14, 14]
    assert found.record_bytes == 14


def test_frame_with_a_fault_is_one_as_a_whole() -> None:
    """Its bytes are counted once, and the sentence is that of the first."""
    found = FramesDecoder(_settings()).feed(
        bytes.fromhex("A5 0001 00 10 1F 51  A5 0002 00 10 11 12  A5 0003 00 10 51 61"), 0
    )
    assert found.readings["thickness"].tolist() == [10, 11, 12]
    assert found.n_faults == {FaultReason.NUMBER: 1, FaultReason.OUT_OF_RANGE: 1}
    assert [fault.detail for fault in found.faults] == [
        "field 3 (thickness): 1f is no bcd1",
        "field 3 (thickness): 51.0 is not at most 50.0",
    ]
    assert (found.record_bytes, found.fault_bytes) == (7, 14)


def test_more_samples_than_the_status_has_bits_for() -> None:
    """What its bits would be of the others, nobody knows."""
    framing = {"kind": "start_stop", "start": 0x02, "stop": 0x03}
    decoder = FramesDecoder(_settings(framing=framing))
    found = decoder.feed(bytes.fromhex(f"02 0005 00 {'11' * 6} 03  02 0005 00 {'11' * 7} 03"), 0)
    assert found.readings.size == 6
    assert found.n_faults == {FaultReason.LENGTH: 1}


def test_interval_of_0_is_a_fault() -> None:
    """All samples would have one time."""
    interval = {"is": "interval", "type": "u1", "unit": "ms"}
    framing = {"kind": "fixed", "sync": [0xA5], "length": 7}
    settings = _settings(
        framing=framing, fields=[CLOCK, interval], repeat={"fields": [VALUE], "clock_of": "first"}
    )
    found = FramesDecoder(settings).feed(bytes.fromhex("A5 0001 00 101112 A5 0001 02 101112"), 0)
    assert found.readings["device_time"].tolist() == [1_000_000, 3_000_000, 5_000_000]
    assert found.n_faults == {FaultReason.OUT_OF_RANGE: 1}


@pytest.mark.parametrize(
    ("others", "message"),
    [
        ({"repeat": None}, "fields[1].per_sample' must be left out without 'repeat'"),
        ({"fields": [STATUS, {"is": "skip", "bytes": 2}]}, "repeat' must have a 'device_time'"),
        ({"repeat": {"fields": [VALUE]}}, "repeat.interval' must be given, or a field 'interval'"),
        ({"repeat": GROUP | {"interval": "0 s"}}, "repeat.interval' must be > 0"),
        ({"repeat": {"fields": [VALUE, STATUS]}}, "repeat.fields[1].per_sample' must be left out"),
        (
            {"fields": [{"is": "sequence", "type": "u1"}, CLOCK]},
            "fields[0].is' must be 'skip': it numbers frames",
        ),
        (
            {"framing": {"kind": "fixed", "sync": [0xA5], "length": 4}},
            "framing.length' must leave whole samples of 1 bytes, and leaves 0 bytes",
        ),
        (
            {"repeat": GROUP | {"fields": [VALUE | {"scale": 0}]}},
            "repeat.fields[0].scale' must not be 0",
        ),
    ],
)
def test_settings_that_cannot_be_are_refused(others: dict[str, Any], message: str) -> None:
    """With the place in the user's table."""
    with pytest.raises(SettingsError) as caught:
        _settings(**others)
    assert f"'block.{message}" in str(caught.value)
