"""What is put into the mirror: what states something else than before, and nothing else."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from daemon.handmade import MS, START, opened, station_text
from swathe.journal import Tick
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.mirror import Mirror
from swathe.live.publisher import Publisher
from swathe.pipeline import GapCause, GapEnd, GapSnapshot, Pipeline
from swathe.station import parse_station

TEXT = station_text()


def gap(**other: Any) -> GapSnapshot:
    """Return an open gap, or one that differs as given."""
    parts: dict[str, Any] = {
        "number": 1,
        "status": "open",
        "cause": GapCause.NO_SIGNAL,
        "causes": {GapCause.NO_SIGNAL: 3},
        "cells": 3,
        "area": 3.0,
        "scan": (-0.5, 2.5),
        "index": (-0.5, 0.5),
        "opened": 1_800_000_000_000_000_000,
        "closed": None,
        "end": None,
        "merged_into": None,
    }
    return GapSnapshot.model_validate({**parts, **other})


class Bench:
    """A publisher whose pipeline returns the gaps that the test has changed."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        station = parse_station(TEXT, "bench.toml")
        self.pipeline = Pipeline(station)
        self.pipeline.feed(opened(TEXT, time=START))
        self.time = START
        self.mirror = Mirror()
        self.publisher = Publisher(self.mirror, self.pipeline, progress_interval_ns=250 * MS)
        self.publisher.put_all()
        self.delay = DelayEstimator(station)
        self.changed: list[GapSnapshot] = []
        monkeypatch.setattr(self.pipeline, "take_gap_snapshots", lambda: self.changed)
        self.put: list[str] = []
        self.mirror.watch(lambda topic, _: self.put.append(topic))

    def tick(self, *changed: GapSnapshot) -> list[str]:
        """Let 50 ms pass with some changed gaps; return the topics of gaps that were put."""
        self.time += 50 * MS
        self.pipeline.feed(Tick(self.time))
        self.changed = list(changed)
        self.put.clear()
        self.publisher.put_changes(self.time, {}, self.delay)
        return [topic for topic in self.put if "/gap/" in topic]


def test_gap_that_states_the_same_is_not_put_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cell that came and went, or less than is published, makes no message; all else does."""
    bench = Bench(monkeypatch)
    topic = bench.publisher.topics.gap(1)
    assert bench.tick(gap()) == [topic]
    first = bench.mirror.messages[topic]
    assert bench.tick(gap()) == []
    assert bench.tick(gap(area=3.0001, scan=(-0.5, 2.5002))) == []
    assert bench.mirror.messages[topic] is first
    assert topic in bench.mirror.urgent
    bench.mirror.urgent.clear()
    assert bench.tick(gap(cells=4, causes={GapCause.NO_SIGNAL: 4})) == [topic]
    assert bench.mirror.messages[topic].time == first.time + timedelta(milliseconds=150)
    assert bench.mirror.urgent == set()
    ended = gap(status="closed", closed=1_800_000_000_100_000_000, end=GapEnd.MEASURED)
    assert bench.tick(ended) == [topic]
    assert bench.mirror.urgent == {topic}
    assert bench.tick(ended) == []
