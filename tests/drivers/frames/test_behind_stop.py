"""Frames whose checksum is behind the stop byte, where it may be any byte, start and stop too."""

from __future__ import annotations

import random
from functools import reduce
from typing import Any

import pytest

from drivers.frames.feeding import make
from swathe_drivers.errors import SettingsError
from swathe_drivers.testing.feeding import assert_same_stream, random_pieces, total

FIELDS = [
    {"is": "thickness", "unit": "mm", "type": "digits5", "scale": 0.01},
    {"is": "counts", "axis": "scan", "type": "u1"},
]


def _table(**framing: Any) -> dict[str, Any]:
    kind = {"kind": "start_stop", "start": 2, "stop": 3, "checksum_behind": True} | framing
    return {
        "framing": kind,
        "checksum": {"kind": framing.pop("sum", "xor8")},
        "byte_order": "big",
        "fields": FIELDS,
    }


def _frame(value: int, count: int, *, escape: bool) -> bytes:
    """Return a frame with its exclusive or behind ETX; over the bytes before they were escaped."""
    content = b"%05d" % value + bytes([count])
    check = reduce(lambda one, other: one ^ other, content + b"\x03")
    if escape:
        content = b"".join(
            bytes([0x10, byte ^ 0x20]) if byte in (2, 3, 0x10) else bytes([byte])
            for byte in content
        )
    return b"\x02" + content + b"\x03" + bytes([check])


@pytest.mark.parametrize("escape", [False, True])
def test_checksum_may_be_start_or_stop(escape: bool) -> None:
    """Frame by frame as sent, however they are cut; garbage before, between and behind."""
    table = _table(escape=0x10, xor=0x20) if escape else _table()
    checks: set[int] = set()
    for seed in range(10):
        source = random.Random(seed)
        sent: list[tuple[int, int]] = []
        data = b"\x77\x03" * (seed % 2)
        for _ in range(100):
            count = source.randrange(256) if escape else source.randrange(4, 256)
            value = source.randrange(100_000)
            if source.random() < 0.5:  # so that its checksum is the start or the stop byte
                check = _frame(value, count, escape=escape)[-1]
                other = count ^ check ^ source.choice([2, 3])
                count = other if escape or other > 3 else count
            frame = _frame(value, count, escape=escape)
            checks.add(frame[-1])
            sent.append((value, count))
            data += frame + b"\x55" * (source.random() < 0.05)
        whole = total([make(table).feed(data, 0)])
        assert whole.readings["thickness"].tolist() == [value / 100 for value, _ in sent]
        assert whole.positions["counts"][:, 0].tolist() == [count for _, count in sent]
        pieces = random_pieces(data, source, cuts=60) if seed else [bytes([one]) for one in data]
        decoder = make(table)
        assert_same_stream(total(decoder.feed(one, 0) for one in pieces), whole)
    assert checks >= {2, 3}


def test_damaged_frame_costs_itself_and_one_more_at_the_most() -> None:
    """Each flipped bit is a fault, and what is behind it is found again."""
    frames = [_frame(1000 + number, 40 + number, escape=False) for number in range(8)]
    for bit in range(8 * len(frames[3])):
        damaged = bytearray(frames[3])
        damaged[bit // 8] ^= 1 << bit % 8
        data = b"".join([*frames[:3], bytes(damaged), *frames[4:]])
        found = total([make(_table()).feed(data, 0)])
        values = found.readings["thickness"].tolist()
        assert set(values) <= {10 + number / 100 for number in range(8)} - {10.03}
        assert {10.0, 10.01, 10.02, 10.05, 10.06} <= set(values)
        assert found.n_faults.total() >= 1


def test_tail_that_seems_to_begin_a_frame_begins_none() -> None:
    """A checksum that is the start byte, and behind it the end of a frame whose beginning is lost."""
    frame = next(
        frame for count in range(4, 256) if (frame := _frame(7, count, escape=False))[-1] == 2
    )
    good = _frame(8, 50, escape=False)
    data = frame + b"00009\x41\x03\x41" + good
    for size in (1, 3, len(data)):
        decoder = make(_table())
        pieces = [data[at : at + size] for at in range(0, len(data), size)]
        found = total(decoder.feed(one, 0) for one in pieces)
        assert found.readings["thickness"].tolist() == [0.07, 0.08]
        assert [(fault.offset, fault.length) for fault in found.faults] == [(len(frame), 8)]
        assert found.bytes == len(data)


def test_any_bytes_give_the_same_however_they_are_cut() -> None:
    """Starts and stops in any order, byte by byte and at once, up to the loss of the port."""
    table = {
        "framing": _table()["framing"],
        "checksum": {"kind": "sum16"},
        "fields": [{"is": "thickness", "unit": "mm", "type": "digits1"}],
    }
    source = random.Random(5)
    for _ in range(100):
        data = bytes(source.choice([2, 3, 0x30]) for _ in range(source.randrange(2, 14)))
        found = []
        for pieces in ([data], [bytes([byte]) for byte in data]):
            decoder = make(table)
            batches = [decoder.feed(one, 0) for one in pieces]
            found.append(total([*batches, decoder.reset(len(data))]))
        assert_same_stream(*found)
        assert found[0].bytes == len(data)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"escape": 0x10}, "must be left out where one byte is start and stop"),
        ({"stop": 2}, "must be left out where one byte is start and stop"),
    ],
)
def test_checksum_behind_that_cannot_be_found_is_refused(
    changes: dict[str, Any], words: str
) -> None:
    """Where its bytes would change what is before or behind them."""
    with pytest.raises(SettingsError) as caught:
        make(_table(**changes))
    assert words in str(caught.value)
