"""A process that stood still: what waited in the kernel meanwhile has no known time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from daemon.handmade import MS, START, feed, opened, station
from daemon.pipeline.placing.test_lost_position import Seen
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import Pipeline
from swathe.pipeline.placing.standstill import Standstills
from swathe.station import AlarmKind

TEXT = """
name = "bench"
[survey]
folder = "bench"
[scan]
length = "600 mm"
resolution = "2 mm"
device = "encoder"
counts_per_mm = 10
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "socket://encoder:1"
[device.encoder.protocol]
columns = [CLOCK{is="counts", axis="scan"}]
[device.gauge]
port = "socket://gauge:1"
[device.gauge.protocol]
columns = [CLOCK{is="time_of_flight", unit="us", min=0.0, max=100.0}]
"""
CLOCK = '{is="device_time", unit="ms"}, '


def place(ms: int) -> float:
    """Return the place of a probe that goes to and fro at 100 mm/s, mm."""
    return abs((ms / 10.0) % 1200.0 - 600.0)


def entries(stopped: tuple[int, int], last: int, *, clocks: bool) -> Iterator[Entry]:
    """Yield what two devices send: while the process is stopped nothing, all at once after it."""
    held: list[Chunk] = []
    # No steady rate, of which times would follow.
    rng = np.random.default_rng(1)
    samples, readings = rng.random(last) < 0.12, rng.random(last) < 0.15
    for ms in range(last):
        is_held = stopped[0] <= ms < stopped[1]
        time = START + (stopped[1] if is_held else ms) * MS
        made: list[Chunk] = []
        clock = f"{ms}," if clocks else ""
        if samples[ms]:
            made.append(Chunk(time, "encoder", f"{clock}{round(10 * place(ms))}\r\n".encode()))
        if readings[ms]:  # the reading shows where it was taken: 20 us at 0 mm, 80 us at 600 mm
            made.append(Chunk(time, "gauge", f"{clock}{20 + place(ms) / 10:.4f}\r\n".encode()))
        if is_held:
            held += made
            continue
        if ms == stopped[1]:
            yield from sorted(held, key=lambda chunk: chunk.port)
        yield from made
        if ms % 20 == 0:
            yield Tick(time)


@pytest.mark.parametrize("clocks", [False, True])
@pytest.mark.parametrize("seconds", [1, 3])
def test_nothing_is_misplaced_after_a_standstill(clocks: bool, seconds: int) -> None:
    """Without clocks what waited is unplaced, and an alarm shows why; with clocks all is placed."""
    seen = Seen()
    text = TEXT.replace("CLOCK", CLOCK if clocks else "")
    made = Pipeline(station(text), observer=seen)
    stopped = (2000, 2000 + 1000 * seconds)
    feed(made, [opened(text), *entries(stopped, stopped[1] + 2000, clocks=clocks)])
    feed(made, [Tick(START + (stopped[1] + 2000 + k * 50) * MS) for k in range(12)])
    true = (np.array(seen.flight) - 20) * 10
    assert np.abs(np.array(seen.scan) - true).max() < 4.0
    found = [one for one in made.alarms.alarms if one.kind is AlarmKind.STANDSTILL]
    expected, waited = 0.15 * (stopped[1] + 2000), 0.15 * seconds * 1000
    if clocks:
        assert found == []
        assert len(seen.times) > 0.85 * expected
        return
    (alarm,) = found
    assert alarm.until is not None
    assert alarm.detail.startswith(f"the process stood still for {seconds}.0 s")
    assert 0.7 * (expected - waited) < len(seen.times) < 1.05 * (expected - waited)
    assert made.progress().unplaced > 0.85 * waited
    assert all(one.kind is not AlarmKind.POSITION for one in made.alarms.alarms)


def test_waited_is_what_arrives_in_the_first_quarter_of_a_second() -> None:
    """From the end of each standstill on, and not before it."""
    made = Standstills()
    times = np.array([0, 999, 1000, 1249, 1250, 4999, 5000, 5249, 5250]) * MS
    assert not made.waited(times).any()
    made.add(100 * MS, 1000 * MS)
    made.add(2000 * MS, 5000 * MS)
    expected = [False, False, True, True, False, False, True, True, False]
    assert made.waited(times).tolist() == expected
    begun, over = made.conditions(1100 * MS)
    assert (begun.known, begun.holds) == (1100 * MS, True)
    assert "stood still for 0.9 s" in begun.detail
    assert (over.known, over.holds) == (1250 * MS, False)
