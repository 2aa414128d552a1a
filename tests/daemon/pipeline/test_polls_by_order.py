"""One device with a poll for its counts and one for its thickness, whose answers are bare numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from daemon.handmade import MS, START, ended, opened
from daemon.surveys import assert_same, write_survey
from swathe.journal import Chunk, Entry, Sent, Tick
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import replay

TEXT = """
name = "bench"
[survey]
folder = "bench"
[scan]
length = "10 mm"
resolution = "1 mm"
device = "box"
counts_per_mm = 10
max_speed = "1e9 m/s"
max_acceleration = "1e12 m/s^2"
keeps_count = true
[calibration]
velocity = "5920 m/s"
[device.box]
port = "socket://box:1"
[device.box.talk]
echo = true
timeout = "40 ms"
taken_at = "request"
poll = [{ send = "POS?\\r\\n", every = "2 ms" }, { send = "THK?\\r\\n", every = "2 ms" }]
[[device.box.protocol.record]]
answers = "POS?\\r\\n"
columns = [{ is = "counts", axis = "scan" }]
[[device.box.protocol.record]]
answers = "THK?\\r\\n"
columns = [{ is = "thickness", unit = "mm", min = 2.0 }]
"""


def _run() -> list[Entry]:
    """Return what is sent and comes: 10 mm in a second; each answer in two chunks with its echo."""
    entries: list[Entry] = [opened(TEXT)]
    for number in range(500):
        time = START + number * 2 * MS
        asked = b"THK?\r\n" if number % 2 else b"POS?\r\n"
        # A position of 12 counts comes as "12", a wall of 12 mm does as well.
        answer = b"12\r\n" if number % 2 else b"%d\r\n" % (number // 5)
        entries.append(Sent(time, "box", asked))
        whole = asked + answer
        entries.append(Chunk(time + MS // 2, "box", whole[: number % len(whole)]))
        entries.append(Chunk(time + MS, "box", whole[number % len(whole) :]))
        if number % 25 == 0:
            entries.append(Tick(time + MS + 1))
    return [*entries, ended(START + 1100 * MS)]


def test_answers_are_those_of_their_polls(tmp_path: Path) -> None:
    """No count is a thickness and none the other way; a rebuild gives what entry by entry gives."""
    entries = _run()
    rebuilt = replay(write_survey(tmp_path, [entries]))
    live = Pipeline(parse_station(TEXT, "bench.toml"))
    for entry in entries:
        live.feed(entry)
    assert_same(live, rebuilt)
    tally = rebuilt.tallies["box"]
    assert (tally.readings, tally.positions, dict(tally.faults)) == (250, 250, {})
    values = rebuilt.grid.layer("thickness", slice(0, 1), slice(0, 11))[0]
    assert values[:10].tolist() == [12.0] * 10
    assert np.isnan(values[10]) or values[10] == 12.0
