"""What `check` shows of each probe: its own reading, by its calibration, and its place."""

from __future__ import annotations

import pytest

from daemon.handmade import MS, START, VELOCITY, line, station
from daemon.pipeline.test_probes import TWO, text_of
from swathe.journal import Chunk, Sent
from swathe.live.live_probes import LiveProbes


def flight(mm: float) -> str:
    """Return a time of flight through a wall, as the gauges send it."""
    return f"{2 * mm / VELOCITY:.6f}"


@pytest.mark.parametrize(
    ("unit", "first", "second"),
    [
        (
            "mm",
            "probe gauge: echo, 9.000 mm, 30 ms old, at scan 7.0 mm, index 2.0 mm",
            "probe second: no echo, 10 ms old, at scan 7.0 mm, index 5.0 mm",
        ),
        (
            "in",
            "probe gauge: echo, 0.354 in, 30 ms old, at scan 0.276 in, index 0.079 in",
            "probe second: no echo, 10 ms old, at scan 0.276 in, index 0.197 in",
        ),
    ],
)
def test_each_probe_has_reading_age_and_place_in_the_users_unit(
    unit: str, first: str, second: str
) -> None:
    """The newest reading of one is none of the other."""
    text = text_of(TWO).replace("[survey]", f'units = "{unit}"\n[survey]', 1)
    probes = LiveProbes(station(text))
    for ms in range(10, 60, 10):
        probes.take(Chunk(START + ms * MS, "encoder", line(f"P,{ms},70,20")))
    probes.take(Chunk(START + 30 * MS, "second", line(f"R,30,{flight(11)},E")))
    probes.take(Chunk(START + 40 * MS, "gauge", line(f"R,40,{flight(9)},E")))
    probes.take(Chunk(START + 60 * MS, "second", line("R,60,0.000000,N")))
    probes.end(START + 70 * MS)
    lines, all_read = probes.lines()
    assert lines == [first, second]
    assert all_read


def test_a_probe_that_sent_nothing_is_named_and_its_place_unknown_without_counts() -> None:
    """A port that is good for one probe is not for its neighbour; no place is made up."""
    probes = LiveProbes(station(text_of(TWO)))
    probes.take(Chunk(START, "gauge", line(f"R,1,{flight(9)},E")))
    probes.take(Sent(START, "gauge", b"?", unanswered=True))
    probes.end(START + 5 * MS)
    lines, all_read = probes.lines()
    assert lines == [
        "probe gauge: echo, 9.000 mm, 5 ms old, at an unknown place",
        "probe second: NO READING",
    ]
    assert not all_read


def test_probes_of_one_device_are_told_apart_by_their_inputs() -> None:
    """What came last from the device is of one of them only."""
    text = """name = "bench"
[survey]
folder = "bench"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[device.encoder]
port = "ports/encoder"
protocol.columns = [{is="counts", axis="scan"}]
[device.gauge]
port = "ports/gauge"
protocol.columns = [{is="probe"}, {is="thickness", unit="mm"}]
[[probe]]
name = "left"
input = 4
[[probe]]
name = "right"
input = 2
scan = "3 mm"
"""
    probes = LiveProbes(station(text))
    probes.take(Chunk(START, "encoder", b"70\r\n"))
    probes.take(Chunk(START, "gauge", b"4,9.5\r\n2,11.25\r\n4,9.75\r\n2,11.5\r\n"))
    probes.end(START + 5 * MS)
    assert probes.lines() == (
        [
            "probe left: echo, 9.750 mm, 5 ms old, at scan 7.0 mm",
            "probe right: echo, 11.500 mm, 5 ms old, at scan 10.0 mm",
        ],
        True,
    )
