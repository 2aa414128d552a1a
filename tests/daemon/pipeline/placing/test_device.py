"""One device's tally: what came, what was lost on the way, and where its stream was bad."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from daemon.echo_model import scans, settings
from drivers.frames.feeding import make
from drivers.frames.frame_model import build
from drivers.frames.tables import CRC_32
from swathe.pipeline import DeviceTally
from swathe.pipeline.placing.device import DeviceLink
from swathe.station import decoder_of, parse_station

STATION = """\
name = "bench"
[survey]
folder = "bench"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "both"
counts_per_mm = 10
[device.both]
port = "ports/both"
protocol.columns = [
  {{ is = "sequence"{wrap} }},
  {{ is = "counts", axis = "scan" }},
  {{ is = "thickness", unit = "mm" }},
]
"""


def link(wrap: int | None = None, tally: DeviceTally | None = None) -> DeviceLink:
    """Return the link of a device that numbers its lines."""
    text = STATION.format(wrap="" if wrap is None else f", wrap = {wrap}")
    device = parse_station(text, "bench.toml").device["both"]
    return DeviceLink(decoder=decoder_of(device), delay_ns=0, tally=tally or DeviceTally())


def send(made: DeviceLink, numbers: Iterable[int], *, time: int = 0) -> None:
    """Send a line for each number, in one chunk, and decode it."""
    made.take(b"".join(f"{number},0,5.0\r\n".encode() for number in numbers), time)
    assert made.decode() is not None


@pytest.mark.parametrize(
    ("wrap", "parts", "missing"),
    [
        (None, [[0, 1, 2, 3]], 0),
        (None, [[5, 6, 9, 10]], 2),
        (None, [[5, 6], [9, 10]], 2),
        (None, [[7, 8], [0, 1]], 0),  # the device began anew
        (100, [[98, 99, 0, 1]], 0),
        (100, [[98, 99], [2, 3]], 2),
        (100, [[60, 61], [0, 1]], 38),  # it may have been: the shorter way round
        (65_536, [[500, 501], [0, 1]], 0),  # the device began anew
        (65_536, [[5, 7, 6, 8]], 2),  # two overtook each other; one step of two, twice
        (65_536, [[5, 5, 6]], 0),
        (101, [[98, 99, 100, 0, 1]], 0),
        (101, [[0, 50]], 49),  # half of a turn ahead
        (101, [[0, 51]], 0),  # half of a turn back
        (None, [[7]], 0),
    ],
)
def test_missing_by_the_running_number(
    wrap: int | None, parts: list[list[int]], missing: int
) -> None:
    """Numbers left out were lost on the way; one that runs back was not a whole turn of losses."""
    made = link(wrap)
    for part in parts:
        send(made, part)
    assert made.tally.missing == missing
    assert made.tally.readings == made.tally.positions == sum(len(part) for part in parts)


KINDS = """
[[device.both.protocol.record]]
columns = [{ is = "sequence" }, { is = "counts", axis = "scan" }]
[[device.both.protocol.record]]
columns = [{ is = "sequence" }, { is = "thickness", unit = "mm" }, { is = "ignore" }]
"""


@pytest.mark.parametrize("numbers", ["", 'numbers = "shared"'])
def test_number_common_to_readings_and_positions_shows_none_lost(numbers: str) -> None:
    """Every second number is that of the other kind; one that neither has is missing, of neither."""
    text = STATION[: STATION.index("protocol.columns")] + f"[device.both.protocol]\n{numbers}\n"
    text += KINDS
    device = parse_station(text, "bench.toml").device["both"]
    made = DeviceLink(decoder=decoder_of(device), delay_ns=0, tally=DeviceTally())
    for number in (1, 3, 5, 9, 11):
        lines = f"{number},7\r\n{number + 1},5.0,\r\n"
        made.take(lines.encode(), number * 1_000_000)
        made.decode()
    made.decode(now=10**10, flush=True)
    assert made.tally.missing == 2  # 7 and 8
    assert (made.tally.readings, made.tally.positions) == (5, 5)
    lost = {name: times.lost for name, times in made.tally.times.items()}
    assert lost == {"readings": 0, "positions": 0}


def test_half_a_record_does_not_survive_a_lost_port() -> None:
    """What had begun when the port was lost is one fault, and not glued to what comes after."""
    made = link()
    made.take(b"1,0,5.0\r\n2,0,", 10)
    made.decode()
    made.lose("lost", "pulled")
    assert (made.tally.state, made.tally.detail) == ("lost", "pulled")
    made.take(b"3,0,5.0\r\n", 20)
    batch = made.decode()
    assert batch is not None
    assert batch.readings["sequence"].tolist() == [3]
    assert made.tally.faults == {"partial": 1}
    assert (made.tally.recent[0].offset, made.tally.recent[0].length) == (9, 4)
    assert batch.readings["offset"].tolist() == [13]
    assert (made.tally.bytes, made.tally.last_data) == (22, 20)


def test_tally_goes_on_and_offsets_with_it() -> None:
    """A next run's link counts on in the same tally, its offsets from the bytes so far."""
    tally = DeviceTally()
    send(link(tally=tally), [0, 1])
    second = link(tally=tally)
    second.take(b"junk\r\n", 5)
    second.decode()
    assert (tally.readings, tally.faults) == (2, {"columns": 1})
    assert tally.recent[0].offset == 18


@pytest.mark.parametrize("cut", [1, 9, 11])
def test_chunks_of_one_time_are_one_chunk(cut: int) -> None:
    """Where a coarse clock gives two chunks one time, it does not matter where they are cut."""
    lines = b"1,0,5.0\r\n2,1,5.1\r\n"
    whole, parts = link(), link()
    for made, chunks in ((whole, [lines]), (parts, [lines[:cut], lines[cut:]])):
        made.take(b"0,0,5.0\r\n", 1_000_000)
        for data in chunks:
            made.take(data, 3_000_000)
    one, other = whole.decode(), parts.decode()
    assert one is not None
    assert other is not None
    assert one.readings["time"].tolist() == other.readings["time"].tolist()
    assert one.readings_known_at.tolist() == other.readings_known_at.tolist()
    assert other.readings_known_at.tolist() == [1_000_000, 3_000_000, 3_000_000]
    assert (parts.tally.bytes, parts.tally.last_data) == (9 + len(lines), 3_000_000)


def test_chunk_waits_while_more_of_its_time_may_follow() -> None:
    """Only what was known before the given journal time is decoded."""
    made = link()
    made.take(b"0,0,5.0\r\n", 1000)
    made.take(b"1,0,5.0\r\n", 2000)
    assert made.decode(1000) is None
    first = made.decode(2000)
    assert first is not None
    assert first.readings_known_at.tolist() == [1000]
    assert made.decode(2000) is None
    second = made.decode(2001)
    assert second is not None
    assert second.readings_known_at.tolist() == [2000]


def test_recent_faults_are_few_and_the_newest() -> None:
    """A stream of garbage is counted whole but remembered by its last faults only."""
    made = link()
    for k in range(100):
        made.take(f"junk {k}\r\n".encode() * 3, k)
        made.decode()
    assert made.tally.faults == {"columns": 300}
    assert len(made.tally.recent) == 64
    assert made.tally.recent[-1].excerpt == b"junk 99"
    assert made.decode() is None


@pytest.mark.parametrize("delay_ms", [0, 120])
def test_delay_is_subtracted_from_the_arrival(delay_ms: int) -> None:
    """A record that arrives late was taken earlier, by the device's delay."""
    text = STATION.format(wrap="").replace("ports/both", "socket://both:1")  # without a baud rate
    device = parse_station(text, "bench.toml").device["both"]
    late = delay_ms * 1_000_000
    made = DeviceLink(decoder=decoder_of(device), delay_ns=late, tally=DeviceTally())
    made.take(b"1,0,5.0\r\n", 1_000_000_000)
    batch = made.decode()
    assert batch is not None
    assert batch.readings["time"].tolist() == [1_000_000_000 - late]
    assert batch.positions["time"].tolist() == [1_000_000_000 - late]
    assert made.tally.last_data == 1_000_000_000


def test_readings_of_ascans_are_measured() -> None:
    """Each A-scan gives its reading's time and amplitude; one without an echo is not valid."""
    table = {
        "framing": {"kind": "length_prefix", "sync": [0xA5, 0x5A], "adds": 8},
        "checksum": CRC_32 | {"from": 2},
        "byte_order": "big",
        "fields": [
            {"is": "length", "type": "u2"},
            {
                "is": "waveform",
                "type": "i2",
                "samples": 512,
                "interval": "20 ns",
                "full_scale": 2000,
            },
        ],
    }
    waves = np.rint(20 * scans([[(3.0, 80.0)], [], [(5.0, 60.0)]])).astype(">i2")
    made = DeviceLink(decoder=make(table), delay_ns=0, tally=DeviceTally(), echo=settings())
    made.take(b"".join(build(table, b"\x00\x00" + wave.tobytes()) for wave in waves), 1000)
    batch = made.decode()
    assert batch is not None
    assert batch.readings["valid"].tolist() == [True, False, True]
    assert batch.readings["time_of_flight"][[0, 2]] == pytest.approx([3.05, 5.05], abs=0.02)
    assert batch.readings["amplitude"][[0, 2]] == pytest.approx([80.0, 60.0], abs=2.0)
    assert np.isnan(batch.readings["time_of_flight"][1])


def test_request_without_an_answer_is_a_fault() -> None:
    """It has no bytes, and the offset of those that came so far."""
    made = link()
    send(made, [1, 2])
    made.miss(b"?\r", 5)
    made.miss(b"?\r", 6)
    assert made.take_faulty() == [5, 6]
    assert made.tally.faults == {"unanswered": 2}
    assert [(fault.offset, fault.length) for fault in made.tally.recent] == [(18, 0), (18, 0)]
    assert made.tally.recent[0].detail == "no answer in time to b'?\\r'"
    for _ in range(70):
        made.miss(b"?\r", 7)
    assert made.tally.faults == {"unanswered": 72}
    assert len(made.tally.recent) == 64


def test_records_that_are_lost_are_missing_before_the_first_reading_of_the_next_one() -> None:
    """Its other readings were taken with it; each has its time."""
    columns = """protocol.columns = [
  {{ is = "sequence" }}, {{ is = "device_time", unit = "ms" }},
  {{ is = "thickness", unit = "mm", probe = 1 }}, {{ is = "thickness", unit = "mm", probe = 2 }},
]
[[probe]]
name = "a"
input = 1
[[probe]]
name = "b"
input = 2
scan = "1 mm"
[device.encoder]
port = "ports/encoder"
protocol.columns = [{{ is = "counts", axis = "scan" }}]
"""
    text = STATION.replace('device = "both"', 'device = "encoder"')
    text = text[: text.index("protocol.columns")] + columns
    device = parse_station(text.format(), "bench.toml").device["both"]
    made = DeviceLink(decoder=decoder_of(device), delay_ns=0, tally=DeviceTally())
    lines = ((0, 100), (1, 110), (4, 140), (5, 150))
    made.take(b"".join(f"{n},{ms},5.0,6.0\r\n".encode() for n, ms in lines), 10**9)
    batch = made.decode(flush=True)
    assert batch is not None
    assert batch.readings["probe"].tolist() == [1, 2] * 4
    assert batch.readings_timing.missing.tolist() == [0, 0, 0, 0, 2, 0, 0, 0]
    times = batch.readings["time"]
    assert (np.diff(times) // 1_000_000).tolist() == [0, 10, 0, 30, 0, 10, 0]
