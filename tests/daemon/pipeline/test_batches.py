"""A survey does not depend on how often it is computed between two instants."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pytest

from daemon.handmade import MS, START, UTC, Motion, opened, port, station, station_text
from daemon.surveys import RUNS, TEXT, assert_same
from swathe.errors import MisuseError
from swathe.journal import Chunk, Entry, Mark, MarkKind, Sent, Tick
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


@pytest.mark.slow
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


ALARMS = (
    station_text(survey='alert_below = "8 mm"\ncell_rule = "last"')
    + """
[alarms]
coupling_lost = "300 ms"
too_fast = "150 ms"
port_lost = "500 ms"
silent = "1 h"
"""
)


def _wall(ms: int) -> float | str:
    """Return a wall with a thin area that is read thicker later, and no echo for 600 ms."""
    if 1000 <= ms < 1600:
        return "N"
    return 7.5 if 300 <= ms < 400 else 10.0


def _place(ms: int) -> tuple[float]:
    """Return a probe that goes slowly, back over the thin area, and then far too fast."""
    if ms < 800:
        return (ms / 50,)
    if ms < 1700:
        return (16 - (ms - 800) / 60,)
    return (1 + (ms - 1700) / 5,)


def _entries() -> list[Entry]:
    """Return a run with alarms of every kind that readings, time and ports raise and end."""
    scan = list(Motion(_place, _wall, 0, 1795).entries())
    mark = Mark(START + 730 * MS, MarkKind.NOTE, {"text": "dry", "by": "K"})
    pause = {"by": "K", "because": "couplant"}
    between = [
        mark,
        Mark(START + 733 * MS, MarkKind.PAUSED, pause),
        Mark(START + 777 * MS, MarkKind.RESUMED, {"by": "K"}),
    ]
    lost = [port(1800, "encoder", "lost"), port(1801, "gauge", "open")]
    merged = sorted([*scan, *between], key=lambda entry: entry.time)
    opens = [port(0, "encoder", "open"), port(0, "gauge", "open")]
    return [*opens, *merged, *lost, Tick(START + 6000 * MS), port(6001, "encoder", "open")]


def _alarms(pipeline: Pipeline) -> list[tuple[str, int, int | None]]:
    """Return kind, begin and end of each alarm, in ms after the start."""
    found = []
    for alarm in pipeline.alarms.alarms:
        until = None if alarm.until is None else (alarm.until - UTC) // MS
        found.append((str(alarm.kind), (alarm.since - UTC) // MS, until))
    return found


@pytest.mark.slow
@pytest.mark.parametrize("every", [1, 2, 5, 40])
def test_alarms_of_one_long_batch_are_those_of_many(every: int) -> None:
    """Thin areas, lost echoes and ports, by their timers too: the same times and texts."""
    whole, parted = Pipeline(station(ALARMS)), Pipeline(station(ALARMS))
    for pipeline, step in ((whole, 10**6), (parted, every)):
        pipeline.collect(opened(ALARMS))
        for number, entry in enumerate(_entries()):
            pipeline.collect(entry)
            if number % step == 0:
                pipeline.advance()
        for ms in range(6050, 10_000, 50 * every):
            pipeline.collect(Tick(START + ms * MS))
            if step == every:
                pipeline.advance()
        pipeline.collect(Tick(START + 12_000 * MS))
        pipeline.advance()
    assert parted.alarms.alarms == whole.alarms.alarms
    assert_same(parted, whole)
    assert _alarms(whole) == [
        ("below alert", 300, 1750),
        ("coupling lost", 993, 1600),  # the last echo before it
        ("port lost", 1800, 6050),
    ]


@pytest.mark.parametrize("ms", [0, 17, 50, 733])
def test_advance_a_second_time_changes_nothing(ms: int) -> None:
    """What is known at an instant takes effect there, however often it is asked for between."""
    once, twice = Pipeline(station(ALARMS)), Pipeline(station(ALARMS))
    for pipeline in (once, twice):
        pipeline.collect(opened(ALARMS))
        for entry in _entries():
            if entry.time > START + 733 * MS:
                break
            pipeline.collect(entry)
            if pipeline is twice and entry.time >= START + ms * MS:
                pipeline.advance()
                pipeline.advance()
        pipeline.advance()
    assert_same(twice, once)
    assert once.readings > 100


def test_collect_all_takes_entries_as_collect_does() -> None:
    """Chunks, ticks, marks and changes of ports, of times that run back too."""
    one, all_at_once = Pipeline(station(TEXT)), Pipeline(station(TEXT))
    entries = [entry for run in RUNS for entry in run]
    back = next(k for k in range(200, len(entries)) if isinstance(entries[k], Chunk))
    entries[back] = entries[back]._replace(time=entries[back].time - 30 * MS)
    for entry in entries:
        one.collect(entry)
    all_at_once.collect_all(entries[:300])
    all_at_once.collect_all(iter(entries[300:]))
    one.advance()
    all_at_once.advance()
    assert one.readings > 400
    assert_same(all_at_once, one)
    with pytest.raises(MisuseError):
        Pipeline(station(TEXT)).collect_all(entries[1:])


@pytest.mark.parametrize("ticks", [[], [700]])
def test_mark_whose_time_runs_back_loses_no_reading(ticks: list[int]) -> None:
    """The journal's time never runs back: what was received before a mark comes before it."""
    text = station_text()
    whole, marked = Pipeline(station(text)), Pipeline(station(text))
    detail = {"alarm": 99, "by": "K"}
    for pipeline in (whole, marked):
        pipeline.collect(opened(text))
        pipeline.collect_all(Motion(lambda ms: (ms / 50,), lambda _: 10.0, 0, 800).entries())
    for ms in ticks:
        marked.collect(Tick(START + ms * MS))
    marked.collect(Mark(START + 700 * MS, MarkKind.ALARM_ACKNOWLEDGED, detail))
    for pipeline in (whole, marked):
        pipeline.collect(Tick(START + 1000 * MS))
        pipeline.advance()
    assert whole.readings == 160
    assert_same(marked, whole)


def test_unanswered_request_comes_after_what_was_received_before_it() -> None:
    """Its fault is located behind those bytes, computed yet or not."""
    pipeline = Pipeline(station(station_text()))
    pipeline.collect(opened(station_text()))
    pipeline.collect(Chunk(START + MS, "gauge", b"x" * 20 + b"\r\n"))
    pipeline.collect(Sent(START + 2 * MS, "gauge", b"?", unanswered=True))
    pipeline.collect(Chunk(START + 3 * MS, "gauge", b"y" * 20 + b"\r\n"))
    pipeline.advance()
    pipeline.collect(Tick(START + 10 * MS))
    pipeline.advance()
    assert [fault.offset for fault in pipeline.tallies["gauge"].recent] == [0, 22, 22]
