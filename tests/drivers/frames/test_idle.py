"""Frames that end with a silence: by the times of the chunks."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.feeding import total
from drivers.frames.feeding import faults_of, make
from drivers.frames.frame_model import build
from drivers.frames.tables import CRC_MODBUS, GAUGE
from swathe_drivers.records import FaultReason

MS = 1_000_000
TABLE: dict[str, Any] = {
    "framing": {"kind": "idle_gap", "gap": "5 ms"},
    "checksum": CRC_MODBUS,
    "fields": GAUGE,
    "max_length": 64,
}
FRAMES = [build(TABLE, bytes([0x41, k, 0x10, 0x27, 0xA0, 0x02, 0x10, 0x00])) for k in range(6)]


def test_feed_frame_ends_with_a_silence() -> None:
    """A frame comes out once the chunk behind the silence shows that there was one."""
    decoder = make(TABLE)
    assert decoder.feed(FRAMES[0][:3], 10 * MS).readings.size == 0
    assert decoder.feed(FRAMES[0][3:], 12 * MS).readings.size == 0
    first = decoder.feed(FRAMES[1], 20 * MS)
    assert first.readings["sequence"].tolist() == [0]
    assert first.readings["time"].tolist() == [12 * MS]
    assert first.record_bytes == 10
    assert decoder.pending == 10
    second = decoder.feed(FRAMES[2][:1], 25 * MS)
    assert second.readings["sequence"].tolist() == [1]
    assert second.readings["offset"].tolist() == [10]


def test_feed_silence_is_less_the_time_of_the_bytes() -> None:
    """A chunk that took 4 ms on the line began that much before it arrived."""
    slow = make(TABLE, ns_per_byte=400_000)
    slow.feed(FRAMES[0], 10 * MS)
    assert slow.feed(FRAMES[1], 18 * MS).readings.size == 0
    quick = make(TABLE, ns_per_byte=100_000)
    quick.feed(FRAMES[0], 10 * MS)
    batch = quick.feed(FRAMES[1], 18 * MS)
    assert batch.readings["time"].tolist() == [9 * MS]


def test_feed_frames_whose_silence_was_lost_are_told_apart_by_their_length() -> None:
    """Where all have one length, three lengths in a row are three frames."""
    decoder = make(TABLE)
    decoder.feed(b"".join(FRAMES[:3]), 0)
    batch = decoder.feed(FRAMES[3], 50 * MS)
    assert batch.readings["sequence"].tolist() == [0, 1, 2]
    assert batch.record_bytes == 30


@pytest.mark.parametrize("size", [3, 9, 11, 64])
def test_feed_piece_of_another_length_is_one_fault(size: int) -> None:
    """What stands between two silences and is no frame costs no neighbour."""
    decoder = make(TABLE)
    pieces = [FRAMES[0], bytes(size), FRAMES[1], b"x"]
    found = total(decoder.feed(piece, at * 50 * MS) for at, piece in enumerate(pieces))
    assert found.readings["sequence"].tolist() == [0, 1]
    (fault,) = faults_of(found)
    assert (fault.offset, fault.length, fault.reason) == (10, size, FaultReason.CHECKSUM)
    assert found.bytes + decoder.pending == 21 + size


def test_feed_without_checksum_tells_the_length() -> None:
    """The fault names the bytes found and wanted."""
    decoder = make({key: value for key, value in TABLE.items() if key != "checksum"})
    decoder.feed(b"\x41\x00", 0)
    (fault,) = decoder.feed(b"\x41\x00", 10 * MS).faults
    assert fault.reason is FaultReason.LENGTH
    assert fault.detail == "2 bytes where there should be 8"


@pytest.mark.parametrize("step", [1, 13, 500])
def test_feed_without_silence_is_dropped_up_to_the_next(step: int) -> None:
    """A stream without pauses is told every `max_length` bytes, and the next frame is whole."""
    decoder = make(TABLE)
    batches = []
    for at in range(0, 500, step):
        batches.append(decoder.feed(bytes(min(step, 500 - at)), at))
        assert decoder.pending <= 2 * 64
    batches.append(decoder.feed(FRAMES[0], 100 * MS))
    batches.append(decoder.feed(FRAMES[1], 200 * MS))
    found = total(batches)
    assert found.n_faults == {FaultReason.TOO_LONG: 1, FaultReason.FRAME: 7}
    assert found.fault_bytes == 500
    assert found.readings["sequence"].tolist() == [0]
    assert found.readings["offset"].tolist() == [500]


def test_reset_forgets_the_silence_before() -> None:
    """The time without a port is no silence on the line."""
    decoder = make(TABLE)
    decoder.feed(FRAMES[0][:4], 0)
    (fault,) = decoder.reset(100).faults
    assert (fault.offset, fault.length, fault.reason) == (0, 4, FaultReason.PARTIAL)
    decoder.feed(FRAMES[1], 900 * MS)
    batch = decoder.feed(FRAMES[2], 950 * MS)
    assert batch.readings["offset"].tolist() == [100]


@given(st.lists(st.tuples(st.integers(0, 9), st.binary(max_size=90)), max_size=30))
def test_feed_chunks_agrees_with_one_after_the_other(chunks: list[tuple[int, bytes]]) -> None:
    """Many chunks in one call give what they give in single calls; every byte is accounted for."""
    time = 0
    timed = []
    for pause, data in chunks:
        time += pause * MS
        timed += [(time, data), (time + 1, FRAMES[pause % 6])]
    if not timed:
        return
    single, many = make(TABLE, ns_per_byte=1000), make(TABLE, ns_per_byte=1000)
    one = total(single.feed(data, at) for at, data in timed)
    other = total([many.feed_chunks(timed)])
    assert one.readings.tobytes() == other.readings.tobytes()
    assert one.n_faults == other.n_faults
    assert one.bytes == other.bytes
    assert one.bytes + single.pending == sum(len(data) for _, data in timed)
    assert single.pending == many.pending
