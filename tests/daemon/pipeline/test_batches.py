"""A survey does not depend on how often it is computed between two instants."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pytest

from daemon.handmade import MS, START, Motion, opened, station, station_text
from daemon.surveys import RUNS, TEXT, assert_same
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import Pipeline


def computed(every: int) -> Pipeline:
    """Return the pipeline after two runs, computed after so many entries each time."""
    pipeline = Pipeline(station(TEXT))
    for number, entry in enumerate(entry for run in RUNS for entry in run):
        pipeline.collect(entry)
        if number % every == 0:
            pipeline.advance()
    pipeline.advance()
    return pipeline


@pytest.mark.parametrize("every", [1, 3, 7])
def test_gaps_end_at_the_same_instant_however_often_they_are_computed(every: int) -> None:
    """A reading that closes a gap does so at the instant after it, not at the one before."""
    pipeline, whole = computed(every), computed(10**6)
    assert "measured" in [gap.end for gap in whole.gap_snapshots()]
    assert pipeline.gap_snapshots() == whole.gap_snapshots()
    assert_same(pipeline, whole)


def test_readings_on_an_excluded_zone_are_no_progress() -> None:
    """Cells that the plan does not require are not counted as newly measured."""
    text = station_text(exclude='[[exclude]]\nname = "lug"\nscan = ["5 mm", "20 mm"]')
    motion = Motion(lambda ms: (8 + ms / 100,), lambda _: 10.0, 0, 800)
    pipeline = Pipeline(station(text))
    pipeline.collect(opened(text))
    for entry in motion.entries():
        pipeline.collect(entry)
    pipeline.advance()
    assert pipeline.readings > 100
    assert pipeline.coverage.measured == 0
    assert pipeline.progress().seconds_left is None


def bunched(ms: int, entries: Iterable[Entry]) -> Iterator[Entry]:
    """Yield chunks in bunches: what a port sent in so many ms arrives at their end as one chunk."""
    waiting: dict[str, bytes] = {}
    for entry in entries:
        if isinstance(entry, Chunk):
            waiting[entry.port] = waiting.get(entry.port, b"") + entry.data
        else:
            yield entry
        if entry.time % (ms * MS) == 0:
            yield from (Chunk(entry.time, port, data) for port, data in waiting.items())
            waiting.clear()


def test_tick_between_two_chunks_of_one_time_changes_nothing() -> None:
    """More of the same time may follow a tick, and a line may continue in it."""
    text = station_text()
    whole, parted = Pipeline(station(text)), Pipeline(station(text))
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1300, tick_ms=35)
    for entry in [opened(text), *bunched(30, motion.entries()), Tick(START + 1400 * MS)]:
        whole.feed(entry)
        if isinstance(entry, Chunk):
            middle = len(entry.data) // 3
            parted.feed(Chunk(entry.time, entry.port, entry.data[:middle]))
            parted.feed(Tick(entry.time))
            parted.feed(Chunk(entry.time, entry.port, entry.data[middle:]))
        else:
            parted.feed(entry)
    assert whole.coverage.measured == 21
    assert_same(parted, whole)
