"""Topics of gaps where there are very many: a few of them, and one message for all."""

from __future__ import annotations

import json

import pytest

from daemon.handmade import MS, START, opened, station_text
from daemon.live.test_gap_budget import gap
from swathe.journal import Tick
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.mirror import Mirror
from swathe.live.publisher import Publisher
from swathe.messages import GapIndexMessage
from swathe.pipeline import GapSnapshot, Pipeline
from swathe.station import parse_station

TEXT = station_text(scan_length=5000) + "\n[broker]\ngaps = 20\n"


class Bench:
    """A publisher of a station whose broker is to have 20 gaps at most."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        station = parse_station(TEXT, "bench.toml")
        self.pipeline = Pipeline(station)
        self.pipeline.feed(opened(TEXT, time=START))
        self.time, self.mirror = START, Mirror()
        self.publisher = Publisher(self.mirror, self.pipeline, progress_interval_ns=250 * MS)
        self.publisher.put_all()
        self.changed: list[GapSnapshot] = []
        patch.setattr(self.pipeline, "take_gap_snapshots", lambda: self.changed)
        self.delay = DelayEstimator(station)
        self.seen: list[tuple[str, bytes]] = []
        self.mirror.watch(lambda topic, payload: self.seen.append((topic, payload)))

    def tick(self, *changed: GapSnapshot, ms: int = 250) -> set[int]:
        """Let time pass with some changed gaps; return the gaps that have a topic."""
        self.time += ms * MS
        self.pipeline.feed(Tick(self.time))
        self.changed = list(changed)
        self.seen.clear()
        self.publisher.put_changes(self.time, {}, self.delay)
        return {int(t.rpartition("/")[2]) for t in self.mirror.newest if "/gap/" in t}

    @property
    def index(self) -> GapIndexMessage | None:
        """The index of all gaps."""
        message = self.mirror.messages.get(self.publisher.topics.gap_index)
        assert message is None or isinstance(message, GapIndexMessage)
        return message


def test_few_gaps_have_topics_and_no_index(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is different where there are few."""
    bench = Bench(monkeypatch)
    assert bench.tick(*[gap(n) for n in range(1, 21)], ms=50) == set(range(1, 21))
    assert bench.index is None


def test_very_many_gaps_have_few_topics_and_an_index(monkeypatch: pytest.MonkeyPatch) -> None:
    """The smallest lose theirs, with no bytes on it; all are counted, and a large one gets one soon."""
    bench = Bench(monkeypatch)
    bench.tick(*[gap(n, cells=2, at=10.0 * n) for n in range(1, 21)])
    shared = bench.tick(*[gap(n, cells=1 + n % 3, at=10.0 * n) for n in range(21, 401)])
    assert len(shared) == 20
    assert bench.index is not None
    assert (bench.index.open, bench.index.listed) == (400, 20)
    assert sum(block.gaps for block in bench.index.blocks) == 400
    gone = [topic for topic, payload in bench.seen if not payload]
    assert gone == [bench.publisher.topics.gap(n) for n in range(1, 21) if n not in shared]
    large = gap(500, cells=90, at=4000.0)
    assert 500 not in bench.tick(large, ms=50)  # it waits for the next choice
    assert 500 in bench.tick(ms=250)
    message = json.loads(bench.mirror.newest[bench.publisher.topics.gap(500)])
    assert message["cells"] == 90
    # What has a topic is shown at once.
    bench.tick(gap(500, cells=91, at=4000.0), ms=50)
    message = json.loads(bench.mirror.newest[bench.publisher.topics.gap(500)])
    assert message["cells"] == 91


def test_index_waits_a_second_and_then_is_true(monkeypatch: pytest.MonkeyPatch) -> None:
    """However fast gaps open, it comes once a second, and once more when nothing changes any longer."""
    bench = Bench(monkeypatch)
    bench.tick(*[gap(n) for n in range(1, 101)])
    count = 0
    for turn in range(40):
        bench.tick(gap(200 + turn), ms=50)
        count += sum(topic.endswith("/gaps") for topic, _ in bench.seen)
    assert 1 <= count <= 2
    bench.tick(ms=1000)
    assert bench.index is not None
    assert bench.index.open == 140
    bench.tick(ms=5000)
    assert not [topic for topic, _ in bench.seen if topic.endswith("/gaps")]  # nothing has changed


def test_messages_stay_few_while_thousands_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 5,000 small gaps that open in ten seconds the broker gets some hundred messages."""
    bench = Bench(monkeypatch)
    bench.tick(*[gap(n, cells=3) for n in range(1, 101)])
    messages = 0
    for turn in range(200):
        first = 200 + 25 * turn
        bench.tick(*[gap(n, at=float(n)) for n in range(first, first + 25)], ms=50)
        messages += sum("/gap/" in topic for topic, _ in bench.seen)
    assert messages < 100
    assert len(bench.tick()) == 20
