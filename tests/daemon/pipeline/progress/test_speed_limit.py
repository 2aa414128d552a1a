"""The highest scan speed: at it no cell is skipped, whatever the jitter of the readings' times."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.handmade import MS, START, line, run, station, station_text
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import CellState, Grid
from swathe.pipeline.placing.reading_times import ReadingPace, ReadingTimes
from swathe.pipeline.placing.timing import Timing
from swathe.pipeline.progress.progress import speed_limits
from swathe.station import Axis, CellRule

PERIOD = 10 * MS
CELL = 2.0
GRID = Grid(
    scan=Axis(name="scan", start=0.0, resolution=CELL, cells=9),
    index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
    rule=CellRule.MINIMUM,
)

Jitter = Callable[[np.random.Generator, NDArray[np.int64]], NDArray[np.float64]]


def even(_: np.random.Generator, number: NDArray[np.int64]) -> NDArray[np.float64]:
    """No jitter."""
    return np.zeros(number.shape)


def clock(chance: np.random.Generator, number: NDArray[np.int64]) -> NDArray[np.float64]:
    """A device clock that reads whole ms, and a device that is up to 1.5 ms late."""
    late = chance.uniform(0, 1.5 * MS, number.size)
    return np.floor((number * PERIOD + late + 0.4 * MS) / MS) * MS - number * PERIOD


def arrival(chance: np.random.Generator, number: NDArray[np.int64]) -> NDArray[np.float64]:
    """Deliveries that take up to 8 ms longer."""
    return chance.uniform(0, 8 * MS, number.size)


def bursts(_: np.random.Generator, number: NDArray[np.int64]) -> NDArray[np.float64]:
    """A converter that hands over what it has every 16 ms."""
    return (-(number * PERIOD + 3 * MS) % (16 * MS)).astype(np.float64)


def limit(pace: ReadingPace, hits: float = 1.0) -> float:
    """Return the highest speed, mm/s."""
    made = station(station_text(survey=f"hits_per_cell = {hits}"))
    return float(speed_limits(pace, made, GRID)[0])


def pace_of(times: NDArray[np.int64]) -> ReadingPace:
    """Return the pace after these readings."""
    readings = ReadingTimes(100 * MS)
    readings.add(times, times)
    return readings.pace_at(times[-1:])


@pytest.mark.parametrize("jitter", [even, clock, arrival, bursts])
@pytest.mark.parametrize("hits", [1, 2, 3])
def test_each_cell_has_its_hits_at_the_limit(jitter: Jitter, hits: int) -> None:
    """20 scans of 4,000 readings at the limit that the 700 readings before them show."""
    for seed in range(20):
        chance = np.random.default_rng(seed)
        number = np.arange(4_700)
        times = np.rint(number * PERIOD + jitter(chance, number)).astype(np.int64)
        times = np.maximum.accumulate(times) + START
        speed = limit(pace_of(times[:700]), hits)
        places = (times[700:] - times[700]) * 1e-9 * speed + chance.uniform(0, CELL)
        counts = np.bincount((places / CELL).astype(np.int64))
        assert counts[1:-1].min() >= hits, (seed, speed)


def test_limit_is_that_of_the_rate_without_jitter() -> None:
    """An even gauge may be as fast as its readings, a jittery one is slower by its jitter."""
    assert limit(pace_of(START + np.arange(700) * PERIOD)) == pytest.approx(200.0)
    one = np.array([PERIOD])
    assert limit(ReadingPace(one, one + 4 * MS)) == pytest.approx(2 / 15e-3)
    assert limit(ReadingPace(one, one + 4 * MS), 2) == pytest.approx(2 / 25e-3)
    assert limit(ReadingPace(one * 0, one)) == np.inf


def test_lost_reading_and_silence_are_no_jitter() -> None:
    """What no scan speed avoids does not lower it."""
    times = START + np.arange(1400) * PERIOD
    silent = np.delete(times, np.arange(300, 380))
    assert limit(pace_of(silent)) == pytest.approx(200.0)
    lost = np.delete(times, 1200)
    missing = (np.diff(lost, prepend=lost[0] - PERIOD) > PERIOD).astype(np.int64)
    readings = ReadingTimes(100 * MS)
    readings.add(lost, lost, Timing.of(lost, lost, missing))
    assert limit(readings.pace_at(lost[-1:])) == pytest.approx(200.0, rel=0.02)
    assert limit(pace_of(lost)) < 100.0


def jittery(seed: int, speed: float, seconds: float) -> list[Entry]:
    """Return a scan after 4 s at rest: encoder every 4 ms, readings about every 10 ms."""
    chance = np.random.default_rng(seed)
    entries: list[Entry] = []
    last = int((4 + seconds) * 1000)
    for ms in range(0, last, 4):
        count = round(max(ms - 4000, 0) * 1e-3 * speed * 10) - 50
        entries.append(Chunk(START + ms * MS, "encoder", line(f"P,{ms},{count}")))
    taken = np.arange(0, last, 10) + chance.integers(0, 6, -(-last // 10))
    entries += [Chunk(START + int(ms) * MS, "gauge", line(f"R,{ms},4.0,E")) for ms in taken]
    entries += [Tick(START + ms * MS) for ms in range(20, last + 500, 20)]
    return sorted(entries, key=lambda entry: entry.time)


@pytest.mark.slow
def test_no_cell_is_skipped_at_the_published_limit() -> None:
    """The limit that a resting probe's readings show holds for the scan after it."""
    text = station_text(scan_length=300)
    for seed in range(2):
        entries = jittery(seed, 0.0, 1.0)
        speed = run(text, entries).progress().speed_limit
        assert speed is not None
        assert 50 < speed < 70  # of 100 without jitter
        for share, skips in ((1.0, False), (1.6, True)):
            entries = jittery(seed, share * speed, 310 / speed / share)
            pipeline = run(text, entries)
            skipped = np.count_nonzero(pipeline.grid.state == CellState.SKIPPED)
            assert bool(skipped) is skips, (seed, share, speed)
