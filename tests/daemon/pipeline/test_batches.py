"""A survey does not depend on how often it is computed between two instants."""

from __future__ import annotations

import pytest

from daemon.handmade import Motion, opened, station, station_text
from daemon.surveys import RUNS, TEXT, assert_same
from swathe.journal import Chunk, Tick
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


def test_tick_between_two_chunks_of_one_time_changes_nothing() -> None:
    """More of the same time may follow a tick, and a line may continue in it."""
    text = station_text()
    whole, parted = Pipeline(station(text)), Pipeline(station(text))
    whole.feed(opened(text))
    parted.feed(opened(text))
    for entry in Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1300).entries():
        whole.feed(entry)
        if isinstance(entry, Chunk):
            parted.feed(Chunk(entry.time, entry.port, entry.data[:7]))
            parted.feed(Tick(entry.time))
            parted.feed(Chunk(entry.time, entry.port, entry.data[7:]))
        else:
            parted.feed(entry)
    assert whole.coverage.measured == 21
    assert_same(parted, whole)
