"""Where the records of polled devices are placed, by what the device really measured there."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.handmade import START, ended, opened
from daemon.pipeline.cutting import Seen
from daemon.polled import KINDS, MS, SILENCE, Answers, Faults, Kind, driver_table, poll
from swathe.journal import Chunk, Entry, PortChange, Sent, Tick
from swathe.pipeline import Pipeline
from swathe.station import parse_station, schedule_of

What = Literal["thickness", "counts"]
SECONDS = 40
SPEED = 25.0
LENGTH = 200.0
STATION = """name = "bench"
[survey]
folder = "bench"
[scan]
length = "200 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 1000
keeps_count = true
[placing]
bracket = "150 ms"
[device.encoder]
port = "socket://encoder:1"
{encoder}
[device.gauge]
port = "socket://gauge:1"
{gauge}
"""
CLOCKED = """[device.{name}.protocol]
columns = [{{ is = "device_time", unit = "us" }}, {{ is = {column} }}]
"""
TROUBLE = Faults(late=0.03, lost=0.02, doubled=0.05, foreign=0.05)


def scan_at(time: int) -> float:
    """Position of the probe, mm: there and back, evenly."""
    travel = (time - START) / 1e9 * SPEED
    return float(LENGTH - abs(travel % (2 * LENGTH) - LENGTH))


def thickness_at(time: int) -> float:
    """A wall that shows by its thickness where it was measured."""
    return round(5 + scan_at(time) / 100, 9)


def counts_at(time: int) -> int:
    """Counts of the encoder."""
    return round(1000 * scan_at(time))


def clocked(port: str, period: int, seconds: int) -> list[Entry]:
    """What a device with a clock sends, each record at once."""
    found: list[Entry] = []
    for time in range(START + MS, START + seconds * 1000 * MS, period * MS):
        value: float = counts_at(time) if port == "encoder" else thickness_at(time)
        found.append(Chunk(time, port, f"{time // 1000},{value!r}\r\n".encode()))
    return found


@dataclass
class Found:
    """A run: its pipeline, and by how much each reading is misplaced, mm."""

    pipeline: Pipeline
    errors: NDArray[np.float64]
    requests: int

    @property
    def rms(self) -> float:
        """The root of their mean square."""
        return float(np.sqrt(np.mean(self.errors**2)))

    @property
    def cells_off(self) -> int:
        """Cells with a value from more than a cell away."""
        mean = self.pipeline.grid.layer("thickness_mean", slice(None), slice(None))[0]
        low = self.pipeline.grid.layer("thickness", slice(None), slice(None))[0]
        own = 5 + np.arange(mean.size) / 100
        off = (np.abs(mean - own) > 0.0151) | (np.abs(low - own) > 0.0151)
        return int(np.count_nonzero(off & ~np.isnan(mean)))


def run(
    kind: Kind,
    what: What,
    *,
    share: float | None = None,
    talk: str = "",
    faults: Faults | None = None,
    seed: int = 1,
    seconds: int = SECONDS,
    latency: tuple[float, float] = (2.0, 60.0),
) -> Found:
    """Scan with one polled device and one that has a clock."""
    polled = driver_table(kind, what) + f'timeout = "{SILENCE}"\n{talk}'
    tables = {
        "gauge": CLOCKED.format(name="gauge", column='"thickness", unit = "mm"'),
        "encoder": CLOCKED.format(name="encoder", column='"counts", axis = "scan"'),
    }
    name, other = ("gauge", "encoder") if what == "thickness" else ("encoder", "gauge")
    tables[name] = polled
    text = STATION.format(**tables)
    station = parse_station(text, "bench.toml")
    schedule = schedule_of(station.device[name])
    assert schedule is not None
    device = Answers(
        thickness_at if what == "thickness" else counts_at,
        Random(seed),
        share=share,
        faults=faults or Faults(),
        latency=latency,
    )
    end = START + seconds * 1000 * MS
    entries = poll(name, schedule, device, begin=START + 5 * MS, end=end, cut=0.1)
    entries += clocked(other, 5 if other == "encoder" else 10, seconds)
    entries.sort(key=lambda entry: entry.time)
    seen = Seen()
    pipeline = Pipeline(station, observer=seen)
    pipeline.feed(opened(text))
    for number, entry in enumerate([*entries, Tick(end), ended(end + MS)]):
        pipeline.collect(entry)
        if number % 500 == 0:
            pipeline.advance()
    pipeline.advance()
    columns = seen.columns
    truth = 100 * (columns["placed.readings"]["thickness"] - 5)
    return Found(pipeline, columns["placed.scan"] - truth, schedule.sent)


def faults_of(found: Found) -> dict[str, int]:
    """The faults of the polled device."""
    return {
        reason: count
        for tally in found.pipeline.tallies.values()
        for reason, count in tally.faults.items()
    }


@pytest.mark.parametrize("what", ["thickness", "counts"])
@pytest.mark.parametrize("kind", KINDS)
def test_moment_that_is_stated_places_exactly(kind: Kind, what: What) -> None:
    """Answers take 2 to 60 ms; what is left is the interpolation between positions."""
    for share, taken_at in ((0.0, "request"), (1.0, "answer")):
        found = run(kind, what, share=share, talk=f'taken_at = "{taken_at}"', seconds=20)
        assert found.errors.size > 300
        assert found.rms < (0.01 if what == "thickness" else 0.1)
        assert faults_of(found) == {}


@pytest.mark.parametrize("share", [None, 0.0, 1.0])
def test_moment_that_is_not_stated_is_off_by_half_the_latency(share: float | None) -> None:
    """At 25 mm/s that is 0.75 mm at the most, wherever between request and answer it really was."""
    found = run("text", "thickness", share=share)
    assert 0.15 < found.rms < 0.45
    assert np.abs(found.errors).max() < 0.76
    assert found.cells_off == 0


@pytest.mark.slow
@pytest.mark.parametrize("name", ["late", "lost", "doubled", "foreign"])
@pytest.mark.parametrize("what", ["thickness", "counts"])
@pytest.mark.parametrize("kind", KINDS)
def test_answers_that_go_wrong_misplace_no_cell(kind: Kind, what: What, name: str) -> None:
    """One request in twenty goes wrong, with the default moment."""
    found = run(kind, what, faults=Faults(**{name: 0.05}), seed=3)
    faults = faults_of(found)
    assert found.cells_off == 0
    assert np.abs(found.errors).max() < 2.0
    assert found.pipeline.coverage.measured >= 190
    wrong = {"late": "late", "lost": "unanswered", "doubled": "foreign", "foreign": "foreign"}[name]
    assert faults[wrong] > 15
    assert ("late" in faults) == (name == "late")
    assert found.errors.size > 400


TEXT = STATION.format(
    gauge=driver_table("text", "thickness"),
    encoder=CLOCKED.format(name="encoder", column='"counts", axis = "scan"'),
)


def exchange() -> Pipeline:
    """A run whose gauge was sent one request and has answered it."""
    pipeline = Pipeline(parse_station(TEXT, "bench.toml"))
    pipeline.feed(opened(TEXT))
    for entry in clocked("encoder", 5, 1):
        pipeline.collect(entry)
        if entry.time == START + 401 * MS:
            pipeline.collect(Sent(START + 400 * MS, "gauge", b"M?\r\n"))
        if entry.time == START + 421 * MS:
            pipeline.collect(Chunk(START + 420 * MS, "gauge", b"5.1025\r\n"))
    pipeline.collect(Tick(START + 1100 * MS))
    pipeline.advance()
    return pipeline


@pytest.mark.parametrize("how", ["request", "command", "lost", "ended", "killed"])
def test_last_answer_counts_once_its_window_is_over(how: str) -> None:
    """With the next request, the loss of the port, the end of the run, or the next run."""
    pipeline = exchange()
    assert pipeline.readings == 0
    at = START + 1110 * MS
    ends: dict[str, Entry] = {
        "request": Sent(at, "gauge", b"M?\r\n"),
        "command": Sent(at, "gauge", b"OFF"),
        "lost": PortChange(at, "gauge", "lost", "unplugged"),
        "ended": ended(at),
        "killed": opened(TEXT, time=at),
    }
    pipeline.feed(ends[how])
    pipeline.advance()
    if how != "killed":
        pipeline.feed(Tick(at + 10 * MS))
    assert pipeline.readings == 1
    assert pipeline.grid.layer("thickness", slice(None), slice(None))[0][10] == 5.1025


def test_answer_behind_a_lost_port_answers_nothing() -> None:
    """What was asked before is not answered after it."""
    pipeline = exchange()
    pipeline.feed(PortChange(START + 1110 * MS, "gauge", "lost", "unplugged"))
    pipeline.feed(PortChange(START + 1120 * MS, "gauge", "open", ""))
    pipeline.feed(Chunk(START + 1130 * MS, "gauge", b"5.2\r\n"))
    pipeline.feed(Sent(START + 1140 * MS, "gauge", b"M?\r\n"))
    pipeline.feed(Tick(START + 1200 * MS))
    assert pipeline.tallies["gauge"].readings == 1
    assert pipeline.tallies["gauge"].faults == {"foreign": 1}


def test_offsets_of_faults_continue_behind_a_killed_run() -> None:
    """No byte that waited for the next request is forgotten."""
    pipeline = exchange()
    pipeline.feed(opened(TEXT, time=START + 1200 * MS))
    pipeline.feed(Chunk(START + 1210 * MS, "gauge", b"5.2\r\n"))
    pipeline.feed(Sent(START + 1220 * MS, "gauge", b"M?\r\n"))
    pipeline.feed(Tick(START + 1300 * MS))
    assert [fault.offset for fault in pipeline.tallies["gauge"].recent] == [8]
