"""A-scans through the pipeline: measured, placed, and kept with the reading of their cell."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from daemon.handmade import FREE
from swathe.journal import Chunk, Entry, Mark, MarkKind, Tick
from swathe.pipeline import CellState, Pipeline
from swathe.reading_flags import ReadingFlag
from swathe.station import parse_station

MS = 1_000_000
SAMPLES = 60
INTERVAL_US = 0.1
START_US = 1.0

STATION = """
name = "strip"
[survey]
folder = "survey"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[placing]
lateness = "1 ms"
[calibration]
velocity = "6 mm/us"
zero_offset = "0 us"
[echo]
time_of_flight = "back wall"
rectified = true
saturation = "95 %"
[[echo.gate]]
name = "back wall"
start = "1.5 us"
width = "5 us"
threshold = "30 %"
measure = "peak"
[device.encoder]
triggered = true
port = "socket://encoder:1"
protocol.columns = [{ is = "counts", axis = "scan" }]
[device.instrument]
triggered = true
driver = "frames"
port = "socket://instrument:1"
[device.instrument.protocol]
framing = { kind = "fixed", sync = [85], length = 61 }
fields = [
  { is = "waveform", type = "u1", samples = "rest", interval = "0.1 us", start = "1 us", full_scale = 100, zero = 20 },
]
[store]
waveforms = true
"""


def waveform(at: int | None, height: int = 80) -> bytes:
    """Return samples with an echo at a sample, percent of full screen height; None for none."""
    samples = np.full(SAMPLES, 20, np.uint8)
    if at is not None:
        for off, share in ((-2, 0.3), (-1, 0.7), (0, 1.0), (1, 0.7), (2, 0.3)):
            samples[at + off] = 20 + round(height * share)
    return samples.tobytes()


def scan(
    first: int, echoes: list[tuple[int | None, int]], *, start: float = 0.0, step: float = 1.0
) -> Iterator[Entry]:
    """Yield an A-scan every 10 ms, each 1 mm farther, an encoder line every 5 ms, and ticks."""
    for k, (at, height) in enumerate(echoes):
        for half in (0, 5):
            ms = first + 10 * k + half
            counts = round(10 * (start + step * (k + half / 10)))
            yield Chunk(ms * MS, "encoder", f"{counts}\r\n".encode())
        yield Chunk((first + 10 * k) * MS, "instrument", b"\x55" + waveform(at, height))
        if k % 5 == 0:
            yield Tick((first + 10 * k + 5) * MS)
    yield Chunk((first + 10 * len(echoes)) * MS, "encoder", f"{counts}\r\n".encode())
    yield Tick((first + 10 * len(echoes) + 300) * MS)


def pipeline(text: str = STATION) -> Pipeline:
    """Return a pipeline whose run is open."""
    made = Pipeline(parse_station(text, "strip.toml"))
    detail = {"survey": "s", "station": text, "versions": {}, "utc_ns": 10**18}
    made.feed(Mark(0, MarkKind.OPENED, detail))
    return made


def test_waveforms_are_measured_where_the_probe_was() -> None:
    """Each cell has the thickness of its own A-scan; one without an echo has no signal."""
    made = pipeline()
    echoes: list[tuple[int | None, int]] = [(20 + k, 80) for k in range(10)]
    echoes[4] = (None, 0)
    for entry in scan(10, echoes):
        made.feed(entry)
    grid = made.grid
    assert np.flatnonzero(grid.state == CellState.MEASURED).tolist() == [0, 1, 2, 3, 5, 6, 7, 8, 9]
    assert grid.state[4] == CellState.NO_SIGNAL
    for k in (0, 1, 2, 3, 5, 6, 7, 8, 9):
        top = START_US + (20 + k) * INTERVAL_US
        assert grid.time_of_flight[k] == pytest.approx(top, abs=2.5 * INTERVAL_US)
        assert grid.thickness[k] == pytest.approx(grid.time_of_flight[k] * 3.0)
        assert grid.amplitude[k] == pytest.approx(80.0, abs=2.0)
    steps = np.diff(grid.time_of_flight[5:10])
    assert steps == pytest.approx([INTERVAL_US] * 4, abs=1e-5)
    assert made.tallies["instrument"].readings == 10
    assert made.tallies["instrument"].saturated == 0


def test_waveform_kept_is_that_of_the_reading_of_the_cell() -> None:
    """By the minimum rule the thinner pass stands for a cell, with its own A-scan."""
    made = pipeline(STATION.replace("[placing]", FREE + "[placing]"))
    for entry in scan(10, [(30, 80)] * 10):
        made.feed(entry)
    assert made.grid.waveform is not None
    assert made.grid.waveform.shape == (made.grid.state.size, SAMPLES)
    assert made.grid.waveform.dtype == np.uint8
    first = np.frombuffer(waveform(30), np.uint8)
    assert (made.grid.waveform[:10] == first).all()
    assert (made.grid.waveform[10:] == 0).all()
    made.feed(Tick(700 * MS))  # the process ran on
    back: list[tuple[int | None, int]] = [(k, 60) for k in (25, 35, 25, 35, 25, 35, 25, 35, 25, 35)]
    for entry in scan(1000, back, start=9.0, step=-1.0):
        made.feed(entry)
    for k, (at, height) in enumerate(back):
        kept = made.grid.waveform[9 - k]
        thinner = at is not None and at < 30
        expected = np.frombuffer(waveform(at, height), np.uint8) if thinner else first
        assert (kept == expected).all(), k


CLIPPED: list[tuple[int | None, int]] = [(30, 80), (30, 96), (None, 0), (30, 98)]


def test_clipped_echo_is_not_valid() -> None:
    """An echo at the converter's limit is counted, and its cell has no thickness."""
    made = pipeline()
    for entry in scan(10, CLIPPED):
        made.feed(entry)
    assert made.tallies["instrument"].saturated == 2
    assert made.grid.hits[:4].tolist() == [1, 0, 0, 0]


def test_clipped_echo_is_measured_where_it_is_allowed() -> None:
    """It is counted and flagged all the same."""
    made = pipeline(STATION.replace("rectified = true", "rectified = true\nallow_saturated = true"))
    for entry in scan(10, CLIPPED):
        made.feed(entry)
    assert made.tallies["instrument"].saturated == 2
    assert made.grid.hits[:4].tolist() == [1, 1, 0, 1]
    flags = made.grid.quality[:4] & int(ReadingFlag.CLIPPED | ReadingFlag.AMBIGUOUS)
    assert flags.tolist() == [0, ReadingFlag.CLIPPED, 0, ReadingFlag.CLIPPED]


def test_two_echoes_in_the_gate_are_flagged() -> None:
    """The first one is measured, and the reading is flagged in its cell and counted by reason."""
    made = pipeline()

    both = np.frombuffer(waveform(15, 50), np.uint8).copy()
    both[20:] = np.frombuffer(waveform(40, 75), np.uint8)[20:]
    for entry in scan(10, [(15, 50)] * 4):
        # Every other reading has the second level.
        if isinstance(entry, Chunk) and entry.port == "instrument" and entry.time // MS % 20 == 0:
            made.feed(Chunk(entry.time, entry.port, b"\x55" + both.tobytes()))
        else:
            made.feed(entry)
    assert made.grid.hits[:4].tolist() == [1, 1, 1, 1]
    assert np.ptp(made.grid.thickness[:4]) == 0
    flags = made.grid.quality[:4] & int(ReadingFlag.AMBIGUOUS)
    assert flags.tolist() == [0, ReadingFlag.AMBIGUOUS] * 2
    tally = made.tallies["instrument"]
    assert tally.ambiguous == 2
    assert dict(tally.ambiguous_by) == {"second echo": 2}


def test_waveforms_are_not_kept_unless_the_plan_asks_for_them() -> None:
    """Without the setting the grid has none, and the readings are the same."""
    kept, plain = pipeline(), pipeline(STATION.replace("waveforms = true", "waveforms = false"))
    for made in (kept, plain):
        for entry in scan(10, [(30 + k, 80) for k in range(5)]):
            made.feed(entry)
    assert plain.grid.waveform is None
    np.testing.assert_array_equal(kept.grid.thickness, plain.grid.thickness)


def test_next_run_drops_waveforms_that_were_pending() -> None:
    """A reading that waited when the first run ended is placed by no encoder of the next one."""
    made = pipeline()
    made.feed(Chunk(10 * MS, "instrument", b"\x55" + waveform(30)))
    made.feed(Tick(20 * MS))
    assert made.progress().readings == 0
    detail = {"survey": "s", "station": STATION, "versions": {}, "utc_ns": 2 * 10**18}
    made.feed(Mark(5000 * MS, MarkKind.OPENED, detail))
    for entry in scan(5010, [(40, 80)] * 3):
        made.feed(entry)
    assert made.grid.waveform is not None
    assert (made.grid.waveform[:3] == np.frombuffer(waveform(40), np.uint8)).all()
    assert made.progress().unplaced == 1
