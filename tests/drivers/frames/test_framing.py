"""Frames out of any cut of any stream, against a reader of one byte at a time."""

import math
import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.feeding import random_pieces, same, total
from drivers.frames.feeding import agree, assert_parses, faults_of, make
from drivers.frames.frame_model import build, read_frame, split
from drivers.frames.tables import VARIANTS, sound, stream
from swathe_drivers.records import ABSENT_TIME, MAX_FAULTS, FaultReason

EACH = pytest.mark.parametrize("table", VARIANTS.values(), ids=VARIANTS.keys())


@EACH
@given(seed=st.integers(0, 2**32))
def test_feed_any_stream_agrees_with_plain_reader(table: dict[str, Any], seed: int) -> None:
    """Records, faults and the account of the bytes are those of a reader byte by byte."""
    data = stream(table, seed)
    decoder = make(table)
    found = total([decoder.feed(data, 0)])
    account = split(table, data)
    outcomes = [read_frame(table, frame) for _, _, frame in account.frames]
    assert decoder.pending == account.rest

    faults = [(at, size, reason) for at, size, reason in account.faults]
    records: list[dict[str, Any]] = []
    offsets: list[int] = []
    ignored = account.ignored
    for (at, size, _), outcome in zip(account.frames, outcomes, strict=True):
        if outcome.fault == "ignored":
            ignored += size
        elif outcome.fault is not None:
            faults.append((at, size, outcome.fault))
        else:
            records.append(outcome.record)
            offsets.append(at)
    faults.sort()
    told = [(fault.offset, fault.length, fault.reason) for fault in faults_of(found)]
    assert told == faults[-MAX_FAULTS:]
    if table["framing"]["kind"] not in ("start_stop", "doubled"):
        for fault in faults_of(found):
            assert fault.excerpt == data[fault.offset : fault.offset + min(fault.length, 40)]
    assert found.n_faults == {
        FaultReason(reason): sum(other == reason for _, _, other in faults)
        for reason in {reason for _, _, reason in faults}
    }
    assert found.fault_bytes == sum(size for _, size, _ in faults)
    assert found.ignored_bytes == ignored
    assert found.n_ignored == sum(outcome.fault == "ignored" for outcome in outcomes)
    assert found.bytes + decoder.pending == len(data)

    rows = found.readings
    assert rows["offset"].tolist() == offsets
    assert rows["valid"].tolist() == [record["valid"] for record in records]
    for name in ("time_of_flight", "amplitude"):
        wanted = np.array([record.get(name, math.nan) for record in records], np.float64)
        np.testing.assert_allclose(rows[name], wanted, rtol=1e-6 if name == "amplitude" else 1e-14)
    assert rows["sequence"].tolist() == [record.get("sequence", -1) for record in records]
    times = [record.get("device_time", ABSENT_TIME) for record in records]
    assert rows["device_time"].tolist() == times
    if decoder.axes:
        counts = [[record["axis scan"]] for record in records]
        assert found.positions["counts"].tolist() == counts
        assert found.positions["mark"].tolist() == [[record["mark scan"]] for record in records]
    if decoder.waveform is not None:
        assert found.waveforms is not None
        assert found.waveforms.tolist() == [list(record["waveform"]) for record in records]


@pytest.mark.slow
@pytest.mark.parametrize(
    "table",  # `test_doubled` cuts such frames at each byte
    [table for table in VARIANTS.values() if table["framing"]["kind"] != "doubled"],
    ids=[name for name, table in VARIANTS.items() if table["framing"]["kind"] != "doubled"],
)
@given(seed=st.integers(0, 2**32))
def test_feed_any_cut_gives_the_same(table: dict[str, Any], seed: int) -> None:
    """Whole, byte by byte and cut at random: same records, same faults, same account."""
    assert_parses(table, stream(table, seed)[:3000], seed=seed)


@EACH
@given(seed=st.integers(0, 2**32), step=st.integers(0, 100_000))
def test_feed_chunks_agrees_with_one_after_the_other(
    table: dict[str, Any], seed: int, step: int
) -> None:
    """Many chunks in one call give what they give in single calls, times included."""
    data = stream(table, seed)
    source = random.Random(seed)
    pieces = [(at * step, piece) for at, piece in enumerate(random_pieces(data, source))]
    single = make(table, ns_per_byte=7)
    one = total(single.feed(piece, time) for time, piece in pieces)
    many = total([make(table, ns_per_byte=7).feed_chunks(pieces)])
    agree(one, many, but=())
    assert (np.diff(one.readings["time"]) >= 0).all()


@EACH
def test_feed_good_frames_after_garbage_are_all_found(table: dict[str, Any]) -> None:
    """What was not understood before costs no frame behind it."""
    source = random.Random(7)
    data = b"".join(build(table, sound(table, source)) for _ in range(50))
    plain = assert_parses(table, data)
    assert len(plain.readings) == 50
    assert not plain.n_faults
    garbage = bytes([0x55, 0x0F]) * 40
    after = assert_parses(table, garbage + data)
    same(plain.readings, after.readings, but=("time", "offset"))
    assert after.bytes == len(garbage) + len(data)


@EACH
@given(
    pieces=st.lists(
        st.one_of(
            st.binary(max_size=80),
            st.lists(st.sampled_from(b"\xa5\x5a\x02\x03\x10\x7e\x7d\x01\x00\xff")).map(bytes),
            st.integers(1, 500).map(lambda size: b"\xa5" * size),
        ),
        max_size=12,
    ),
    reset_at=st.integers(0, 12),
)
def test_feed_any_bytes_gives_only_batches_in_bounded_memory(
    table: dict[str, Any], pieces: list[bytes], reset_at: int
) -> None:
    """Whatever arrives: no exception, little held back, every byte accounted for."""
    decoder = make(table)
    fed = 0
    batches = []
    for index, piece in enumerate(pieces):
        batches.append(decoder.feed(piece, index))
        fed += len(piece)
        assert decoder.pending <= 2 * table.get("max_length", 4096)
        if index == reset_at:
            batches.append(decoder.reset(fed))
            assert decoder.pending == 0
    if batches:
        found = total(batches)
        assert found.bytes + decoder.pending == fed
        assert all(len(batch.faults) <= MAX_FAULTS for batch in batches)


@EACH
def test_feed_endless_garbage_is_told_in_bounded_memory_and_time(table: dict[str, Any]) -> None:
    """A wrong baud rate gives a fault now and then, and no growth."""
    decoder = make(table)
    batches = []
    for index in range(40):
        batches.append(decoder.feed(random.Random(index).randbytes(5000), index))
        assert decoder.pending <= 2 * table.get("max_length", 4096)
    found = total(batches)
    assert found.bytes + decoder.pending == 200_000
    assert found.n_faults.total() > 10


def test_feed_damaged_frame_costs_only_itself() -> None:
    """A frame whose checksum fails is one fault of its own length; its neighbours are whole."""
    table = VARIANTS["fixed, checked"]
    good = build(table, b"\x00\x41\x05\x10\x27\xa0\x02\x10\x00")
    bad = bytes([*good[:4], good[4] ^ 1, *good[5:]])
    found = assert_parses(table, good * 3 + bad + good * 2)
    (fault,) = faults_of(found)
    assert (fault.offset, fault.length, fault.reason) == (36, 12, FaultReason.CHECKSUM)
    assert fault.excerpt == bad
    sent = int.from_bytes(bad[-2:], "little")
    assert fault.detail.startswith(f"the frame carries {sent:04X} but its bytes give ")
    assert found.readings["offset"].tolist() == [0, 12, 24, 48, 60]


def test_feed_frame_inside_a_failed_one_is_found() -> None:
    """The search goes on one byte behind the sync that failed, not behind the frame."""
    table = VARIANTS["fixed, checked"]
    good = build(table, b"\x00\x41\x05\x10\x27\xa0\x02\x10\x00")
    found = assert_parses(table, b"\xa5\x00\x41" + good + good)
    assert found.readings["offset"].tolist() == [3, 15]
    (fault,) = faults_of(found)
    assert (fault.offset, fault.length, fault.reason) == (0, 3, FaultReason.CHECKSUM)


@pytest.mark.parametrize("name", ["length", "length, with rest"])
def test_feed_length_out_of_range_is_told(name: str) -> None:
    """A length that no frame can have is a fault, and is not waited for."""
    table = VARIANTS[name]
    head = bytes(table["framing"]["sync"]) + (b"\x07\xff\xff" if name == "length" else b"\xff")
    good = build(table, sound(table, random.Random(3)))
    found = assert_parses(table, head + good)
    fault = faults_of(found)[0]
    assert fault.reason is FaultReason.LENGTH
    assert fault.detail in (
        "a length of 65540 bytes is not 9 to 64",
        "a length of 256 bytes is not 4 to 48",
    )
    assert len(found.readings) == 1


def test_feed_frame_without_stop_byte_is_told() -> None:
    """A second start byte ends what the first began."""
    table = VARIANTS["start and stop, plain"]
    good = b"\xfe\x41\x05\x10\x27\xa0\x02\x10\x00\xff"
    found = assert_parses(table, b"\xfe\x41" + good)
    (fault,) = faults_of(found)
    assert (fault.offset, fault.length, fault.reason) == (0, 2, FaultReason.FRAME)
    assert fault.detail == "a start byte, but no stop byte before the next one"
    long = faults_of(assert_parses(table, b"\xfe" + b"\x00" * 40 + good))[0]
    assert (long.reason, long.detail) == (FaultReason.TOO_LONG, "no stop byte within 16 bytes")


@pytest.mark.parametrize("escapes", range(56, 64))
def test_feed_escape_bytes_before_a_start_byte_count_however_cut(escapes: int) -> None:
    """An odd number of them makes it no start byte, though those told as a fault are gone."""
    table = VARIANTS["start and stop, literal"]
    good = build(table, sound(table, random.Random(2)))
    found = assert_parses(table, b"\x00" + b"\x10" * escapes + good + good)
    assert len(found.readings) == (1 if escapes % 2 else 2)


def test_feed_dangling_escape_byte_is_told() -> None:
    """An escape byte with nothing to stand for makes a frame unreadable, not its neighbours."""
    table = VARIANTS["start and stop"]
    good = build(table, b"\x41\x05\x10\x27\xa0\x02\x10\x00")
    found = assert_parses(table, good + b"\x02\x41\x10\x03" + good)
    (fault,) = faults_of(found)
    assert (fault.offset, fault.length, fault.reason) == (len(good), 4, FaultReason.FRAME)
    assert fault.detail == "an escape byte right before the stop byte"
    assert len(found.readings) == 2


def test_feed_stamps_frame_with_the_time_its_first_byte_began() -> None:
    """A frame's own bytes and those behind it in its chunk, at their time each, make it older."""
    table = VARIANTS["fixed"]
    frame = build(table, b"\x41\x05\x10\x27\xa0\x02\x10\x00\x00")
    decoder = make(table, ns_per_byte=1000)
    decoder.feed(frame[:3], 900_000)
    batch = decoder.feed(frame[3:] + frame + frame[:5], 1_000_000)
    assert batch.readings["time"].tolist() == [1_000_000 - 27_000, 1_000_000 - 16_000]
    assert batch.positions["time"].tolist() == batch.readings["time"].tolist()


def test_feed_frame_found_late_keeps_the_time_it_came() -> None:
    """A frame hidden behind a false length is stamped by its own chunk, not by the one after."""
    table = VARIANTS["length"]
    frame = build(table, sound(table, random.Random(3)))
    decoder = make(table)
    assert decoder.feed(b"\xa5\xa5\x07\x00\x3b", 100).readings.size == 0
    assert decoder.feed(frame, 200).readings.size == 0
    late = total([decoder.feed(b"\x00" * 40, 300)])
    assert late.readings["time"].tolist() == [200]
    assert late.readings["offset"].tolist() == [5]


def test_reset_with_half_frame_is_one_partial_fault() -> None:
    """What had come of a frame before the port was lost is told, and is not glued to the next."""
    table = VARIANTS["fixed"]
    frame = build(table, b"\x41\x05\x10\x27\xa0\x02\x10\x00\x00")
    decoder = make(table)
    decoder.feed(frame + frame[:4], 0)
    batch = decoder.reset(500)
    (fault,) = batch.faults
    assert (fault.offset, fault.length, fault.excerpt) == (11, 4, frame[:4])
    assert fault.reason is FaultReason.PARTIAL
    assert fault.detail == "the port was lost before the end of the frame"
    assert (batch.n_faults, batch.fault_bytes) == ({FaultReason.PARTIAL: 1}, 4)
    after = decoder.feed(frame, 1)
    assert after.readings["offset"].tolist() == [500]
    assert not after.n_faults


def test_reset_after_refuted_sync_bytes_calls_them_no_frame() -> None:
    """Sync bytes that go on otherwise are no half frame, even before as many bytes have come."""
    decoder = make(VARIANTS["length, unchecked"])
    decoder.feed(b"\xa5", 0)
    decoder.feed(b"\x00", 1)
    assert decoder.reset(2).n_faults == {FaultReason.FRAME: 1}


def test_reset_after_garbage_tells_it_by_its_own_reason() -> None:
    """Bytes known to be no frame are not called a half one."""
    table = VARIANTS["fixed"]
    decoder = make(table)
    decoder.feed(b"\x00\x01\x02\xa5", 0)
    batch = decoder.reset(4)
    assert [(fault.offset, fault.length, fault.reason) for fault in batch.faults] == [
        (0, 3, FaultReason.FRAME),
        (3, 1, FaultReason.PARTIAL),
    ]
    assert decoder.pending == 0
    assert decoder.reset(9).fault_bytes == 0
