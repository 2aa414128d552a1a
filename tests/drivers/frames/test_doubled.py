"""Frames between two pairs of bytes, of which the first is sent twice where it is data.

The property tests of `test_framing` read such frames, too; here are few bytes that mean much.
"""

from __future__ import annotations

import random
from typing import Any

import pytest

from drivers.frames.feeding import assert_parses, faults_of, make
from drivers.frames.frame_model import build, read_frame, split
from swathe_drivers.errors import SettingsError
from swathe_drivers.records import FaultReason
from swathe_drivers.testing.feeding import assert_same_stream, total

FRAMING = {"kind": "doubled", "byte": 0x10, "start": 2, "stop": 3}
FIELDS: list[dict[str, Any]] = [{"is": "counts", "axis": "scan", "type": "u2"}]


def _table(check: str | None = None, **framing: Any) -> dict[str, Any]:
    table: dict[str, Any] = {"framing": FRAMING | framing, "byte_order": "big", "fields": FIELDS}
    return table | ({"checksum": {"kind": check}} if check else {}) | {"max_length": 9}


@pytest.mark.parametrize(
    "table",
    [
        _table(),
        _table("sum8"),
        _table("sum8", checksum_behind=True),
        _table("sum16", checksum_behind=True),
        _table("xor8", checksum_behind=True, stop_covered=False),
    ],
)
def test_any_bytes_are_read_as_one_after_the_other(table: dict[str, Any]) -> None:
    """Marks, doubled bytes and tails in any order, at once and byte by byte, up to the port's loss."""
    source = random.Random(3)
    few = [0x10, 0x10, 0x10, 2, 3, 0, 0x13]
    good = 0
    for number in range(40):
        data = bytes(source.choices(few))
        for _ in range(source.randrange(1, 5)):
            if source.random() < 0.6:
                data += build(table, bytes(source.choices(few, k=2)))
            data += bytes(source.choices(few, k=source.randrange(6)))
        account = split(table, data)
        outcomes = [read_frame(table, frame) for _, _, frame in account.frames]
        wanted = [
            at for (at, _, _), one in zip(account.frames, outcomes, strict=True) if not one.fault
        ]
        faults = account.faults + [
            (at, size, one.fault)
            for (at, size, _), one in zip(account.frames, outcomes, strict=True)
            if one.fault
        ]
        found = []
        for pieces in ([data], [bytes([byte]) for byte in data]):
            decoder = make(table)
            batches = [decoder.feed(one, 0) for one in pieces]
            told = total(batches)
            assert told.positions["offset"].tolist() == wanted, (number, data.hex(" "))
            assert [(f.offset, f.length, f.reason) for f in faults_of(told)] == sorted(faults)
            assert decoder.pending == account.rest
            found.append(total([*batches, decoder.reset(len(data))]))
        assert_same_stream(*found)
        assert found[0].bytes == len(data)
        good += len(wanted)
    assert good > 30


@pytest.mark.parametrize("doubled", [0, 1, 2, 3])
def test_stop_is_one_only_behind_an_even_number_of_doubled_bytes(doubled: int) -> None:
    """10 10 03 is data, 10 10 10 03 is a byte 10 and the end."""
    data = b"\x10\x02" + b"\x10" * doubled + b"\x03\x01" + b"\x10\x03"
    found = assert_parses(_table(), data)
    values = found.positions["counts"][:, 0].tolist()
    assert values == {0: [0x0301], 1: [], 2: [], 3: []}[doubled]
    if doubled == 2:  # three bytes where there should be two
        assert [fault.reason for fault in faults_of(found)] == [FaultReason.LENGTH]


def test_single_byte_within_a_frame_is_told() -> None:
    """It stands for nothing before another byte: the frame is a fault, its neighbours are whole."""
    good = build(_table("sum8"), b"\x01\x10")
    assert good == bytes.fromhex("10 02 01 10 10 11 10 03")
    found = assert_parses(_table("sum8"), good + bytes.fromhex("10 02 01 10 41 42 10 03") + good)
    (fault,) = faults_of(found)
    assert (fault.offset, fault.length, fault.reason) == (8, 8, FaultReason.FRAME)
    assert fault.detail == "an escape byte before 41, which stands for nothing"
    assert found.positions["counts"][:, 0].tolist() == [0x0110] * 2


@pytest.mark.parametrize("covered", [True, False])
def test_checksum_behind_may_be_the_doubled_byte(covered: bool) -> None:
    """It is sent once, and makes no pair with the next frame's first byte."""
    table = _table("sum8", checksum_behind=True, stop_covered=covered)
    low = 0x10 - 3 * covered - 1
    frame = build(table, bytes([1, low]))
    assert frame == bytes([0x10, 2, 1, low, 0x10, 3, 0x10])
    found = assert_parses(table, frame * 3)
    assert found.positions["counts"][:, 0].tolist() == [256 + low] * 3
    assert not found.n_faults


@pytest.mark.parametrize("number", range(6, 24))
def test_run_of_doubled_bytes_counts_as_a_whole_however_cut(number: int) -> None:
    """Before a start: an even number of them leaves it one, though those told as a fault are gone."""
    good = build(_table(), b"\x01\x02")
    found = assert_parses(_table(), b"\x00" + b"\x10" * number + good + good)
    assert len(found.positions) == (1 if number % 2 else 2)


@pytest.mark.parametrize("number", range(8, 20))
def test_bytes_before_the_port_was_lost_do_not_count(number: int) -> None:
    """A start behind it is one, whatever came before."""
    decoder = make(_table())
    decoder.feed(b"\x00" + b"\x10" * number, 0)
    decoder.reset(100)
    assert len(decoder.feed(build(_table(), b"\x01\x02"), 1).positions) == 1


@pytest.mark.parametrize(("data", "frames"), [(b"\x00" * 5, 2), (b"\x00" * 6, 0)])
def test_frame_one_byte_too_long_has_no_tail(data: bytes, frames: int) -> None:
    """Its checksum is no tail then: 10 behind it belongs to the 10 that would begin a frame."""
    table = _table("sum8", checksum_behind=True)
    long = b"\x10\x02" + data + b"\x10\x03\x10"
    stream = long + build(table, b"\x01\x02")
    account = split(table, stream)
    assert len(account.frames) == frames
    found = assert_parses(table, stream)
    assert len(found.positions) == (1 if frames else 0)


@pytest.mark.parametrize(
    ("framing", "check", "words"),
    [
        ({"byte": 2}, None, "framing.byte' must be neither the start nor the stop byte"),
        ({"stop": 2}, None, "framing.stop' must differ from 'start'"),
        ({"checksum_behind": True}, None, "checksum_behind' must be left out without 'checksum'"),
        (
            {"stop_covered": False},
            "sum8",
            "stop_covered' must be left out without 'checksum_behind'",
        ),
    ],
)
def test_ends_that_cannot_be_told_are_refused(
    framing: dict[str, Any], check: str | None, words: str
) -> None:
    """Each message names the key and what it must be."""
    with pytest.raises(SettingsError) as caught:
        make(_table(check, **framing))
    assert words in str(caught.value)


def test_frame_longer_than_allowed_is_refused_before() -> None:
    """Both pairs of bytes count."""
    with pytest.raises(SettingsError, match="max_length' must be >= 6, which a frame takes"):
        make(_table() | {"max_length": 5})
