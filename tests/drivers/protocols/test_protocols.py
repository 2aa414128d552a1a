"""Invented devices: every record comes out as it went in, however the stream is cut or spoilt."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from drivers.feeding import Total, random_pieces, same, total
from drivers.protocols.invented import PROTOCOLS, Protocol, Sent
from swathe_drivers.abc import Decoder
from swathe_drivers.description import parse_description
from swathe_drivers.records import ABSENT_SEQUENCE, ABSENT_TIME

RECORDS = 40
MS = 1_000_000

each = pytest.mark.parametrize("protocol", PROTOCOLS, ids=lambda protocol: protocol.name)


def decoder_of(protocol: Protocol) -> Decoder:
    """A decoder by the device's description."""
    return parse_description(protocol.description, protocol.name).decoder(ns_per_byte=0)


def stream(protocol: Protocol, seed: int, count: int = RECORDS) -> list[Sent]:
    """Records of the device."""
    source = random.Random(seed)
    return [protocol.record(number, source) for number in range(count)]


def feed(protocol: Protocol, parts: Sequence[Sequence[bytes]]) -> tuple[Total, int]:
    """Feed records or garbage, each in pieces; what came of them, and bytes not told yet.

    Behind each part there is the device's silence. What is still open at the end is told by a
    silence (a record) or dropped (half a line).
    """
    decoder, now = decoder_of(protocol), 0
    batches = []
    for pieces in parts:
        for piece in pieces:
            batches.append(decoder.feed(piece, now))  # noqa: PERF401
        now += protocol.gap_ms * MS
    if protocol.gap_ms:
        batches.append(decoder.feed(b"\xff", now))  # what follows ends the last one
    found = total(batches)
    size = sum(len(piece) for pieces in parts for piece in pieces)
    return found, size - found.bytes


def says(found: Total, sent: Sequence[Sent]) -> None:
    """Assert that the records say what was sent."""
    for name in ("thickness", "time_of_flight", "amplitude"):
        want = [float(one.says.get(name, np.nan)) for one in sent]
        if found.readings.size:
            np.testing.assert_allclose(found.readings[name], want, rtol=1e-12, err_msg=name)
    for records in (found.readings, found.positions):
        if records.size:
            assert records.size == len(sent)
            for name, absent in (("sequence", ABSENT_SEQUENCE), ("device_time", ABSENT_TIME)):
                assert records[name].tolist() == [one.says.get(name, absent) for one in sent]
    if found.readings.size:
        assert found.readings["valid"].tolist() == [one.says["valid"] for one in sent]
    if found.positions.size:
        counts = [list(one.says["counts"]) for one in sent]
        np.testing.assert_array_equal(found.positions["counts"], counts)
        marks = [list(one.says.get("mark", [False] * len(counts[0]))) for one in sent]
        assert found.positions["mark"].tolist() == marks
    if found.waveforms is not None:
        np.testing.assert_array_equal(found.waveforms, [one.says["waveform"] for one in sent])


def alike(one: Total, other: Total, *, but: tuple[str, ...] = ("time",)) -> None:
    """Assert the same records."""
    same(one.readings, other.readings, but=but)
    same(one.positions, other.positions, but=but)
    if one.waveforms is not None:
        np.testing.assert_array_equal(one.waveforms, other.waveforms)


def account(found: Total) -> tuple[Any, ...]:
    """What became of the bytes."""
    return (
        found.n_faults,
        found.n_ignored,
        found.record_bytes,
        found.fault_bytes,
        found.ignored_bytes,
    )


def test_there_are_ten_at_least_of_every_kind() -> None:
    """Lines of three kinds, every framing, A-scans, registers; positions, readings, both."""
    assert len(PROTOCOLS) >= 10
    decoders = [decoder_of(protocol) for protocol in PROTOCOLS]
    assert len({(d.gives_readings, d.gives_positions, d.combined) for d in decoders}) == 3
    assert sum(decoder.waveform is not None for decoder in decoders) == 2


@each
def test_whole_stream_says_what_was_sent(protocol: Protocol) -> None:
    """Every field of every record, no fault, no byte left over."""
    sent = stream(protocol, 1)
    found, left = feed(protocol, [[one.data] for one in sent])
    says(found, sent)
    assert not found.n_faults
    size = sum(len(one.data) for one in sent)
    # A flag between two frames is shared by them or stands alone; it is no record's own byte.
    assert (found.record_bytes + found.ignored_bytes, left) == (size, 0)


@each
def test_stream_byte_by_byte_gives_identical_records(protocol: Protocol) -> None:
    """Whatever the chunks."""
    sent = stream(protocol, 2)
    whole, _ = feed(protocol, [[one.data] for one in sent])
    bytewise, left = feed(protocol, [[bytes([byte]) for byte in one.data] for one in sent])
    alike(whole, bytewise)
    assert account(whole) == account(bytewise)
    assert left == 0


@each
@pytest.mark.parametrize("seed", range(5))
def test_stream_cut_at_random_gives_identical_records(protocol: Protocol, seed: int) -> None:
    """Also in the midst of a terminator or an escape."""
    source = random.Random(seed)
    sent = stream(protocol, seed)
    parts = [[one.data] for one in sent]
    whole, _ = feed(protocol, parts)
    if protocol.gap_ms:  # what is cut within one time has no silence
        cut = [random_pieces(one.data, source) for one in sent]
    else:
        cut = [random_pieces(b"".join(one.data for one in sent), source)]
    found, left = feed(protocol, cut)
    alike(whole, found)
    assert account(whole) == account(found)
    assert left == 0


@pytest.mark.slow
@each
@pytest.mark.parametrize("seed", range(20))
def test_stream_after_garbage_gives_identical_records_and_counts_each_byte(
    protocol: Protocol, seed: int
) -> None:
    """Noise before and between records costs none of them, and is told to the byte."""
    source = random.Random(1000 + seed)
    sent = stream(protocol, seed)
    whole, _ = feed(protocol, [[one.data] for one in sent])
    parts: list[list[bytes]] = []
    noise = 0
    for one in sent:
        if one is sent[0] or source.random() < 0.3:
            garbage = protocol.garbage(source)
            noise += len(garbage)
            parts.append([garbage])
        parts.append([one.data])
    found, left = feed(protocol, parts)
    alike(whole, found, but=("time", "offset"))
    assert left == 0
    assert found.n_faults.total() > 0
    assert found.record_bytes == whole.record_bytes
    assert found.fault_bytes + found.ignored_bytes == noise + whole.ignored_bytes
    assert all(batch.n_faults or not batch.fault_bytes for batch in found.batches)


@each
def test_damaged_record_is_a_fault_or_says_something_else_but_loses_no_other(
    protocol: Protocol,
) -> None:
    """One byte changed: what is around it comes through, and the bytes are accounted for."""
    source = random.Random(5)
    sent = stream(protocol, 3, 9)
    for _ in range(60):
        data = bytearray(sent[4].data)
        data[source.randrange(len(data))] ^= 1 << source.randrange(8)
        spoilt = [one.data for one in sent]
        spoilt[4] = bytes(data)
        found, left = feed(protocol, [[one] for one in spoilt])
        records = max(found.readings.size, found.positions.size)
        assert left == 0
        assert records in (7, 8, 9)
        if records < 9:
            assert found.n_faults.total() > 0
