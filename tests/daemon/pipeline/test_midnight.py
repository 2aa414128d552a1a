"""A device whose clock is a time of day, over midnight."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np

from daemon.handmade import MS, START, ended, opened
from daemon.surveys import assert_same, write_survey
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import replay

TEXT = """
name = "bench"
[survey]
folder = "bench"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "socket://encoder:1"
protocol.columns = [{ is = "device_time", written = "hh:mm:ss" }, { is = "counts", axis = "scan" }]
[device.gauge]
port = "socket://gauge:1"
protocol.columns = [{ is = "device_time", written = "hhmmss" }, { is = "thickness", unit = "mm" }]
"""


def _clock(ms: int) -> str:
    """Return the time of day so many ms after 23:59:59."""
    seconds = (
        timedelta(hours=23, minutes=59, seconds=59) + timedelta(milliseconds=ms)
    ).total_seconds()
    seconds %= 86_400
    hours, rest = divmod(seconds, 3600)
    return f"{int(hours):02d}:{int(rest // 60):02d}:{rest % 60:06.3f}"


def _run() -> list[Entry]:
    """Return 2 s of a probe at 10 mm/s, whose wall is its place; the chunks come 0 to 3 ms late."""
    entries: list[Entry] = [opened(TEXT)]
    for ms in range(0, 2000, 5):
        at = START + ms * MS + ms % 4 * MS
        entries.append(Chunk(at, "encoder", f"{_clock(ms)},{ms // 10}\r\n".encode()))
        text = f"{_clock(ms).replace(':', '')},{5 + ms / 100:.2f}\r\n"
        entries.append(Chunk(at, "gauge", text.encode()))
        if ms % 50 == 0:
            entries.append(Tick(at + 1))
    return [*entries, ended(START + 2100 * MS)]


def test_clock_of_the_day_goes_on_over_midnight(tmp_path: Path) -> None:
    """Each reading is placed where its own clock says; none is lost, and a rebuild gives the same."""
    entries = _run()
    rebuilt = replay(write_survey(tmp_path, [entries]))
    live = Pipeline(parse_station(TEXT, "bench.toml"))
    for entry in entries:
        live.feed(entry)
    assert_same(live, rebuilt)
    for name in ("gauge", "encoder"):
        assert dict(rebuilt.tallies[name].faults) == {}
    values = rebuilt.grid.layer("thickness", slice(0, 1), slice(0, 21))[0]
    # The least of a cell is its first reading, half a mm before its centre, within a count.
    np.testing.assert_allclose(values[1:19], 5 + np.arange(1, 19) - 0.5, atol=0.11)
