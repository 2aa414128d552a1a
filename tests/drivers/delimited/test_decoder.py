"""Lines of text to records."""

import math
import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.feeding import assert_parses, random_pieces, same, total
from drivers.line_model import read_line
from drivers.strategies import FULL, VARIANTS, lines
from swathe_drivers.abc import Decoder, Driver
from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.delimited import DelimitedDriver, DelimitedSettings
from swathe_drivers.records import ABSENT_SEQUENCE, ABSENT_TIME, MAX_FAULTS, Batch, FaultReason

SIMPLE: dict[str, Any] = {
    "columns": [
        {"is": "constant", "text": "R"},
        {"is": "time_of_flight", "unit": "us", "min": 0, "max": 400},
        {"is": "counts", "axis": "scan", "bits": 24},
    ]
}


def make(table: dict[str, Any], *, ns_per_byte: int = 0) -> RecordDecoder:
    """A decoder from a table of a settings file."""
    driver = DelimitedDriver(DelimitedSettings.model_validate(table))
    return driver.decoder(ns_per_byte=ns_per_byte)


def with_column(**column: Any) -> dict[str, Any]:
    """Settings with a count and one more column."""
    return {"columns": [{"is": "counts", "axis": "scan"}, column]}


def feed(table: dict[str, Any], data: bytes) -> Batch:
    """What a new decoder makes of the data."""
    return make(table).feed(data, 0)


def test_decoder_offers_what_the_protocol_asks() -> None:
    """Driver and decoder fit their protocols, and say what they give."""
    assert isinstance(DelimitedDriver(DelimitedSettings.model_validate(FULL)), Driver)
    decoder = make(FULL)
    assert isinstance(decoder, Decoder)
    assert decoder.axes == ("scan", "index")
    assert decoder.count_periods == {"scan": 1 << 24, "index": None}
    assert decoder.length_axes == {"index"}
    assert decoder.gives == {"time_of_flight", "thickness", "amplitude"}
    assert (decoder.gives_readings, decoder.gives_positions, decoder.combined) == (True,) * 3
    assert decoder.has_clock
    assert decoder.clock_wrap_ns == 2**32 * 1000
    assert decoder.sequence_wrap == 65536


@pytest.mark.parametrize(("bits", "wrap_ns"), [(51, 2**51 * 1000), (52, None), (62, None)])
def test_clock_that_starts_again_after_a_century_never_does(bits: int, wrap_ns: int | None) -> None:
    """Its turn does not fit into 64 bits of ns with a time added, and no scan lasts so long."""
    clock = {"is": "device_time", "unit": "us", "bits": bits}
    decoder = make({"columns": [clock, {"is": "counts", "axis": "scan"}]})
    assert decoder.clock_wrap_ns == wrap_ns


def test_decoder_with_positions_only_gives_no_readings() -> None:
    """An encoder's decoder gives positions, and neither time nor number when none is sent."""
    decoder = make({"columns": [{"is": "counts", "axis": "scan"}]})
    batch = decoder.feed(b"12\r\n-7\r\n", 5)
    assert (decoder.gives_readings, decoder.combined, decoder.has_clock) == (False,) * 3
    assert decoder.clock_wrap_ns is None
    assert decoder.sequence_wrap is None
    assert batch.readings.size == 0
    assert batch.positions["counts"].tolist() == [[12.0], [-7.0]]
    assert set(batch.positions["device_time"]) == {ABSENT_TIME}
    assert set(batch.positions["sequence"]) == {ABSENT_SEQUENCE}


def test_feed_full_line_fills_every_column() -> None:
    """Each column lands where it belongs, in mm, µs, percent and ns."""
    line = b"R,7,1500,12.5,0.5,80.5,E,100,2000,anything\r\n"
    result = assert_parses(lambda: make(FULL), line * 3)
    reading = result.readings[1]
    assert reading["device_time"] == 1_500_000
    assert reading["time_of_flight"] == 12.5
    assert reading["thickness"] == 12.7
    assert reading["amplitude"] == 80.5
    assert reading["valid"]
    assert reading["sequence"] == 7
    assert reading["offset"] == len(line)
    position = result.positions[1]
    assert position["counts"].tolist() == [100.0, 50.8]
    assert (position["device_time"], position["sequence"]) == (1_500_000, 7)


def test_feed_line_without_optional_values_leaves_nan() -> None:
    """Columns that the device does not have are absent, not zero."""
    reading = feed(SIMPLE, b"R,5,1\r\n").readings[0]
    assert math.isnan(reading["thickness"])
    assert math.isnan(reading["amplitude"])
    assert reading["device_time"] == ABSENT_TIME
    assert reading["sequence"] == ABSENT_SEQUENCE


@pytest.mark.parametrize(
    "line",
    [
        b"R,7,1500,12.5,0.5,80,N,100,2000,",
        b"R,7,1500,999.99,0.5,80,E,100,2000,",
        b"R,7,1500,---,0.5,80,E,100,2000,",
        b"R,7,1500,12.5,,80,E,100,2000,",
        b"R,7,1500,700,0.5,80,N,100,2000,",
    ],
)
def test_feed_without_echo_gives_invalid_reading_at_its_position(line: bytes) -> None:
    """A status, a sentinel number or text, or an empty column means: the probe was there."""
    result = assert_parses(lambda: make(FULL), line + b"\r\n")
    (reading,) = result.readings
    assert not reading["valid"]
    assert math.isnan(reading["time_of_flight"])
    assert math.isnan(reading["thickness"])
    assert reading["amplitude"] == 80
    assert result.positions["counts"].tolist() == [[100.0, 50.8]]
    assert not result.n_faults


@pytest.mark.parametrize(
    ("table", "line", "reason", "detail"),
    [
        (SIMPLE, b"R,1", "columns", "2 columns where there should be 3"),
        (SIMPLE, b"R,1,2,3", "columns", "4 columns where there should be 3"),
        (SIMPLE, b"Q,1,2", "unknown_line", "column 1 (constant): 'Q' is not 'R'"),
        (SIMPLE, b"\x00R,1,2", "unknown_line", "column 1 (constant): '\\x00R' is not 'R'"),
        (
            {"columns": [*SIMPLE["columns"], {"is": "constant", "text": "mm"}]},
            b"R,1,2,in",
            "unknown_line",
            "column 4 (constant): 'in' is not 'mm'",
        ),
        (
            {"columns": [*SIMPLE["columns"][1:], {"is": "constant", "text": "mm"}]},
            b"5,2,in,7",
            "unknown_line",
            "column 3 (constant): 'in' is not 'mm'",
        ),
        (SIMPLE, b"R,,2", "number", "column 2 (time_of_flight): '' is not a decimal number"),
        (SIMPLE, b"R,1_0,2", "number", "column 2 (time_of_flight): '1_0' is not a decimal number"),
        (SIMPLE, b"R,0x10,2", "number", "column 2 (time_of_flight): '0x10' is not a decimal number"),
        (SIMPLE, b"R,1 2,2", "number", "column 2 (time_of_flight): '1 2' is not a decimal number"),
        (SIMPLE, b"R,1\x00,2", "number", "column 2 (time_of_flight): '1\\x00' is not a decimal number"),
        (SIMPLE, b"R,1,2.0", "number", "column 3 (counts scan): '2.0' is not a whole decimal number"),
        (SIMPLE, b"R,-NaN,2", "not_finite", "column 2 (time_of_flight): '-NaN' is not a finite number"),
        (SIMPLE, b"R,Infinity,2", "not_finite", "column 2 (time_of_flight): 'Infinity' is not a finite number"),
        (SIMPLE, b"R,1e999,2", "not_finite", "column 2 (time_of_flight): '1e999' is not a finite number"),
        (SIMPLE, b"R,400.5,2", "out_of_range", "column 2 (time_of_flight): '400.5' is not 0.0 to 400.0"),
        (SIMPLE, b"R,4,16777216", "out_of_range", "column 3 (counts scan): '16777216' is not 0 to 16777215"),
        (SIMPLE, b"R,4,-1", "out_of_range", "column 3 (counts scan): '-1' is not 0 to 16777215"),
        (
            with_column(**{"is": "thickness"}, unit="mm", min=1),
            b"4,0.5",
            "out_of_range",
            "column 2 (thickness): '0.5' is not at least 1.0",
        ),
        (
            with_column(**{"is": "thickness"}, unit="mm", max=1),
            b"4,1.5",
            "out_of_range",
            "column 2 (thickness): '1.5' is not at most 1.0",
        ),
        (
            with_column(**{"is": "thickness"}, unit="mm"),
            b"4,1e31",
            "out_of_range",
            "column 2 (thickness): '1e31' is not -1e+30 to 1e+30",
        ),
        (
            with_column(**{"is": "counts"}, axis="index", bits=16, signed=True),
            b"4,32768",
            "out_of_range",
            "column 2 (counts index): '32768' is not -32768 to 32767",
        ),
        (
            with_column(**{"is": "counts"}, axis="index"),
            b"4,9007199254740993",
            "out_of_range",
            "column 2 (counts index): '9007199254740993' is not -9007199254740992 to 9007199254740992",
        ),
        (
            with_column(**{"is": "sequence"}, wrap=256),
            b"4,256",
            "out_of_range",
            "column 2 (sequence): '256' is not 0 to 255",
        ),
        (
            with_column(**{"is": "sequence"}),
            b"4,9223372036854775808",
            "out_of_range",
            "column 2 (sequence): '9223372036854775808' does not fit into 64 bits",
        ),
        (
            with_column(**{"is": "device_time"}, unit="ms", bits=16),
            b"4,65536",
            "out_of_range",
            "column 2 (device_time): '65536' is not 0 to 65535",
        ),
        (
            with_column(**{"is": "device_time"}, unit="s"),
            b"4,1e10",
            "out_of_range",
            "column 2 (device_time): '1e10' does not fit into 64 bits",
        ),
        (
            {"columns": [*SIMPLE["columns"], {"is": "status", "valid": ["E"], "invalid": ["N"]}]},
            b"R,1,2,X",
            "status",
            "column 4 (status): 'X' is none of 'E', 'N'",
        ),
        (
            SIMPLE | {"checksum": {"kind": "xor", "after": "*"}},
            b"R,1,2*00",
            "checksum",
            "the line carries 00 but its bytes give 51",
        ),
        (
            SIMPLE | {"checksum": {"kind": "xor", "after": "*"}},
            b"R,1,2",
            "checksum",
            "no checksum after '*' at the end",
        ),
        (SIMPLE, b"R," + b"1" * 300, "too_long", "no end of line '\\r\\n' within 256 bytes"),
    ],
)  # fmt: skip
def test_feed_faulty_line_is_told_and_disturbs_no_neighbour(
    table: dict[str, Any], line: bytes, reason: str, detail: str
) -> None:
    """A faulty line is one fault with offset, length and words; the lines around it are whole."""
    good = b"R,5,77" if table is SIMPLE else b""
    before = b"zzz\r\n" + (good + b"\r\n" if good else b"")
    data = before + line + b"\r\n" + (good + b"\r\n" if good else b"")
    batch = feed(table, data)
    fault = batch.faults[1]
    assert fault.reason == reason
    assert fault.detail == detail
    assert fault.offset == len(before)
    assert fault.length == min(len(line), 256)
    assert fault.excerpt == line[:40]
    assert batch.n_faults[FaultReason(reason)] >= 1
    assert sum(batch.n_faults.values()) == 2
    if good:
        assert batch.positions["counts"][:, 0].tolist() == [77.0, 77.0]
    assert batch.record_bytes + batch.fault_bytes + batch.ignored_bytes == len(data)
    # The same line among many is read by another way and must be told alike.
    many = feed(table, (line + b"\r\n") * 100)
    assert many.n_faults == {FaultReason(reason): 100}
    assert {fault.detail for fault in many.faults} == {detail}
    assert many.readings.size == 0


def test_fault_reads_as_one_sentence() -> None:
    """The text of a fault names byte, length, reason, column and the bytes."""
    (fault,) = feed(SIMPLE, b"R,x,2\r\n").faults
    assert str(fault) == (
        "byte 0, 5 bytes: number: column 2 (time_of_flight): 'x' is not a decimal number (b'R,x,2')"
    )


def test_feed_many_faults_describes_newest_and_counts_all() -> None:
    """A flood of faults costs bounded memory but none is forgotten."""
    batch = feed(SIMPLE, b"x\r\n" * 1000)
    assert len(batch.faults) == MAX_FAULTS
    assert [fault.offset for fault in batch.faults] == [
        3 * index for index in range(1000 - MAX_FAULTS, 1000)
    ]
    assert batch.n_faults == {FaultReason.UNKNOWN_LINE: 1000}


def test_feed_other_lines_ignored_when_settings_say_so() -> None:
    """Lines of another kind are counted but are no fault; a bad line of our kind still is."""
    table = SIMPLE | {"other_lines": "ignore", "checksum": {"kind": "xor", "after": "*"}}
    result = assert_parses(lambda: make(table), b"Gauge ready\r\nR,1,2*51\r\nR,1,2*50\r\n,\r\n")
    assert result.n_ignored == 2
    assert result.n_faults == {FaultReason.CHECKSUM: 1}
    assert len(result.readings) == 1


def test_feed_empty_lines_are_ignored() -> None:
    """An empty line is no fault and no record."""
    result = assert_parses(lambda: make(SIMPLE), b"\r\n\r\nR,1,2\r\n\r\n")
    assert result.ignored_bytes == 6
    assert not result.n_faults
    assert len(result.readings) == 1


def test_feed_published_nmea_line_passes_its_checksum() -> None:
    """The checksum of the NMEA 0183 example $GPGLL...*28 is found right, with `from` = 1.

    Source: the sentence and its checksum are quoted in public NMEA 0183 texts; the exclusive
    or of the bytes between '$' and '*' was computed apart from this code.
    """
    table: dict[str, Any] = {
        "checksum": {"kind": "xor", "after": "*", "from": 1},
        "columns": [
            {"is": "constant", "text": "$GPGLL"},
            {"is": "position", "axis": "scan", "unit": "mm"},
            {"is": "constant", "text": "N"},
            {"is": "position", "axis": "index", "unit": "mm"},
            {"is": "constant", "text": "E"},
            {"is": "sequence"},
            {"is": "ignore"},
        ],
    }
    line = b"$GPGLL,5300.97914,N,00259.98174,E,125926,A*28\r\n"
    result = assert_parses(lambda: make(table), line)
    assert result.positions["counts"].tolist() == [[5300.97914, 259.98174]]
    assert result.positions["sequence"].tolist() == [125926]
    assert feed(table, line.replace(b"1", b"2", 1)).n_faults == {FaultReason.CHECKSUM: 1}


def test_feed_sum_checksum_wraps_at_256() -> None:
    """The 8-bit sum of the bytes is taken modulo 256, in either case of the digits."""
    table = SIMPLE | {"checksum": {"kind": "sum8", "after": "/"}}
    body = b"R,399.999,1234567"
    line = body + b"/%02x" % (sum(body) % 256)
    assert len(feed(table, line + b"\r\n").readings) == 1
    assert sum(body) > 256


@pytest.mark.parametrize("repeats", [1, 100])
def test_feed_large_integers_lose_no_digit(repeats: int) -> None:
    """Integers beyond 2**53 arrive exactly where the column is an int64."""
    table = {
        "columns": [
            {"is": "counts", "axis": "scan"},
            {"is": "sequence"},
            {"is": "device_time", "unit": "ns"},
        ]
    }
    batch = feed(table, b"9007199254740992,9007199254740993,-9223372036854775807\r\n" * repeats)
    assert set(batch.positions["counts"][:, 0]) == {2.0**53}
    assert set(batch.positions["sequence"].tolist()) == {2**53 + 1}
    assert set(batch.positions["device_time"].tolist()) == {-(2**63) + 1}


def test_feed_fractional_device_time_is_exact() -> None:
    """A time in seconds with nine places gives its nanoseconds, though no double could."""
    table = with_column(**{"is": "device_time"}, unit="s")
    batch = feed(table, b"1,1700000000.123456789\r\n" * 100)
    assert set(batch.positions["device_time"].tolist()) == {1_700_000_000_123_456_789}


def test_feed_stamps_line_with_the_time_its_first_byte_began() -> None:
    """A line's own bytes and those behind it in its chunk, at their time each, make it older."""
    decoder = make(SIMPLE, ns_per_byte=1000)
    decoder.feed(b"R,1", 900_000)
    batch = decoder.feed(b",2\r\nR,1,3\r\nR,", 1_000_000)
    assert batch.readings["time"].tolist() == [1_000_000 - 16_000, 1_000_000 - 9_000]
    assert batch.positions["time"].tolist() == batch.readings["time"].tolist()


@pytest.mark.parametrize("table", VARIANTS)
@given(data=st.data(), seed=st.integers(0, 2**32), step=st.integers(0, 100_000))
@settings(max_examples=30)
def test_feed_chunks_agrees_with_one_after_the_other(
    table: dict[str, Any], data: st.DataObject, seed: int, step: int
) -> None:
    """Many chunks in one call give what they give in single calls, times included."""
    terminator = table.get("terminator", "\r\n").encode()
    found = data.draw(st.lists(lines(table), min_size=1, max_size=8))
    stream = b"".join(line + terminator for line in found)
    pieces = [
        (at * step, piece) for at, piece in enumerate(random_pieces(stream, random.Random(seed)))
    ]
    single = make(table, ns_per_byte=7)
    one = total(single.feed(piece, time) for time, piece in pieces)
    many = total([make(table, ns_per_byte=7).feed_chunks(pieces)])
    same(one.readings, many.readings, but=())
    same(one.positions, many.positions, but=())
    assert one.n_faults == many.n_faults
    assert one.bytes == many.bytes == len(stream)


def test_reset_with_half_line_is_one_partial_fault() -> None:
    """What had come of a line before the port was lost is told, and is not glued to the next."""
    decoder = make(SIMPLE)
    decoder.feed(b"R,1,2\r\nR,1", 0)
    batch = decoder.reset(500)
    (fault,) = batch.faults
    assert (fault.offset, fault.length, fault.excerpt) == (7, 3, b"R,1")
    assert fault.reason is FaultReason.PARTIAL
    assert fault.detail == "the port was lost before the end of the line"
    assert (batch.n_faults, batch.fault_bytes) == ({FaultReason.PARTIAL: 1}, 3)
    after = decoder.feed(b"R,3,4\r\n", 1)
    assert after.readings["offset"].tolist() == [500]
    assert not after.n_faults


def test_reset_without_half_line_gives_empty_batch() -> None:
    """Nothing pending, nothing told."""
    decoder = make(SIMPLE)
    decoder.feed(b"R,1,2\r\n", 0)
    batch = decoder.reset(7)
    assert not batch.n_faults
    assert batch.fault_bytes == 0


def test_reset_in_overlong_line_does_not_count_it_twice() -> None:
    """The rest of a line already told as too long is dropped without another fault."""
    decoder = make(SIMPLE)
    first = decoder.feed(b"x" * 300, 0)
    batch = decoder.reset(300)
    assert first.n_faults == {FaultReason.TOO_LONG: 1}
    assert not batch.n_faults
    assert first.fault_bytes + batch.fault_bytes == 300


@pytest.mark.slow
@pytest.mark.parametrize("table", VARIANTS)
@given(data=st.data(), repeats=st.sampled_from([1, 50]), seed=st.integers(0, 2**32))
@settings(max_examples=60)
def test_feed_random_lines_agrees_with_plain_reader(
    table: dict[str, Any], data: st.DataObject, repeats: int, seed: int
) -> None:
    """Reading all lines at once gives what a reader of one line at a time gives."""
    found = data.draw(st.lists(lines(table), max_size=6)) * repeats
    terminator = table.get("terminator", "\r\n").encode()
    stream = b"".join(line + terminator for line in found)
    decoder = make(table)
    result = total([decoder.feed(stream, 0)])
    assert decoder.pending == 0
    assert result.bytes == len(stream)

    outcomes = [read_line(table, line) for line in found if line]
    wanted = [outcome.record for outcome in outcomes if outcome.fault is None]
    faults = [outcome.fault for outcome in outcomes if outcome.fault not in (None, "ignored")]
    assert result.n_ignored == sum(outcome.fault == "ignored" for outcome in outcomes)
    assert dict(result.n_faults) == {
        FaultReason(fault): faults.count(fault) for fault in faults if fault is not None
    }
    if decoder.gives_readings:
        for name in ("time_of_flight", "thickness", "amplitude"):
            values = np.array([record.get(name, math.nan) for record in wanted], np.float64)
            np.testing.assert_allclose(
                result.readings[name], values, rtol=1e-6 if name == "amplitude" else 1e-15
            )
        assert result.readings["valid"].tolist() == [record["valid"] for record in wanted]
        rows = result.readings
    else:
        rows = result.positions
    if decoder.axes:
        counts = np.array([[record[axis] for axis in decoder.axes] for record in wanted])
        np.testing.assert_allclose(
            result.positions["counts"], counts.reshape(-1, len(decoder.axes)), rtol=1e-15
        )
    assert rows["sequence"].tolist() == [record.get("sequence", -1) for record in wanted]
    times = [record.get("device_time", ABSENT_TIME) for record in wanted]
    assert rows["device_time"].tolist() == times
    for offset in rows["offset"].tolist():
        assert offset == 0 or stream[offset - len(terminator) : offset] == terminator
    if stream and repeats == 1:
        assert_parses(lambda: make(table), stream, terminator=terminator, seed=seed)


@pytest.mark.parametrize("table", VARIANTS)
@given(
    pieces=st.lists(
        st.one_of(
            st.binary(max_size=80),
            st.text("R,1E.\r\n*;\t 0", max_size=80).map(str.encode),
            st.integers(1, 2000).map(lambda size: b"7" * size),
        ),
        max_size=12,
    ),
    reset_at=st.integers(0, 12),
)
@settings(max_examples=60)
def test_feed_any_bytes_gives_only_batches_in_bounded_memory(
    table: dict[str, Any], pieces: list[bytes], reset_at: int
) -> None:
    """Whatever arrives: no exception, little held back, every byte accounted for."""
    decoder = make(table)
    limit = table.get("max_length", 256) + len(table.get("terminator", "\r\n"))
    fed = 0
    batches = []
    for index, piece in enumerate(pieces):
        batches.append(decoder.feed(piece, index))
        fed += len(piece)
        assert decoder.pending < limit
        if index == reset_at:
            batches.append(decoder.reset(fed))
            assert decoder.pending == 0
    if batches:
        result = total(batches)
        assert result.bytes + decoder.pending == fed
        assert all(len(batch.faults) <= MAX_FAULTS for batch in batches)
        times = result.readings["time"]
        assert (np.diff(times) >= 0).all()


def test_feed_faults_of_described_batch_cover_its_fault_bytes() -> None:
    """Offsets and lengths of faults, with terminators, are exactly the bytes called faulty."""
    source = random.Random(3)
    good, bad = b"R,1,2", b"R,x,2"
    picks = [source.choice([good, bad]) for _ in range(24)]
    batch = feed(SIMPLE, b"".join(line + b"\r\n" for line in picks))
    assert len(batch.faults) == picks.count(bad) <= MAX_FAULTS
    assert [fault.offset for fault in batch.faults] == [
        7 * index for index, line in enumerate(picks) if line == bad
    ]
    assert sum(fault.length + 2 for fault in batch.faults) == batch.fault_bytes
    assert batch.record_bytes == 7 * picks.count(good)
