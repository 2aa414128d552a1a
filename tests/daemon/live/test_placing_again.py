"""Placing again while a run is journalled: the old state until the new one is whole, bit for bit."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import zarr
from numpy.typing import NDArray

from daemon.handmade import MS, START, station_text
from daemon.surveys import BACK, SELDOM, assert_same, watch_replays
from swathe.journal import Entry, Mark, MarkKind, Tick
from swathe.live.derived_files import DerivedFiles
from swathe.live.mirror import Mirror
from swathe.live.publisher import Publisher
from swathe.live.session import Session
from swathe.messages import AlarmMessage, GapMessage, StateMessage
from swathe.pipeline import GapEnd, MeasuredDelay, Pipeline
from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.station import AlarmKind, parse_station
from swathe.store import LAYERS, SurveyFolder, read_survey_record, record_of, replay

PORT = 'port = "ports/gauge"'
TEXT = station_text(scan_length=25).replace(PORT, f'{PORT}\ndelay = "auto"')
DELAY = 70
AFTER = 3_000


def entries() -> list[Entry]:
    """Return what the devices send while the probe goes out and back."""
    back = replace(BACK, tick_ms=200)
    later = (entry._replace(time=entry.time + 1500 * MS) for entry in back.entries())
    return [*SELDOM.entries(), *later]


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    """Return a session in which the probe has gone out and back, and a delay was measured."""
    station = parse_station(TEXT, "bench.toml")
    folder = SurveyFolder(tmp_path / "survey")
    with Session(folder, station, TEXT, clock=lambda: START) as made:
        made.resume()
        for entry in entries():
            made.enter(entry)
        detail = MeasuredDelay(DELAY * MS, 69 * MS, 71 * MS, 4).as_detail("gauge")
        made.enter(Mark(START + AFTER * MS, MarkKind.DELAY, detail))
        made.enter(Tick(START + (AFTER + 1) * MS))
        yield made


def nothing(_: Pipeline) -> None:
    """Do nothing."""


def stored(folder: SurveyFolder) -> dict[str, bytes]:
    """Return the layers on disk."""
    group = zarr.open_group(folder.zarr, mode="r")
    return {name: np.asarray(group[name]).tobytes() for name in LAYERS}


def layers(pipeline: Pipeline) -> dict[str, bytes]:
    """Return the layers in memory."""
    rows, columns = (slice(0, size) for size in pipeline.grid.shape)
    return {name: pipeline.grid.layer(name, rows, columns).tobytes() for name in LAYERS}


async def test_survey_placed_again_is_that_of_a_rebuild(session: Session) -> None:
    """In memory, in the arrays and in the record, at once; and so is what comes after."""
    before = session.pipeline
    prepared: list[Pipeline] = []
    replaced: list[Pipeline] = []
    assert before.delays["gauge"] == 0
    await session.checkpoint()
    old = stored(session.folder)
    observer = DelayObserver(scan=before.grid.scan, index=before.grid.index)
    assert await session.place_again(observer, prepare=prepared.append, on_placed=replaced.append)
    assert replaced == [before]
    assert prepared == [session.pipeline]
    assert session.pipeline.delays["gauge"] == DELAY * MS
    assert session.observer is observer
    assert session.placing_again is None
    session.flush()
    rebuilt = replay(session.folder)
    assert_same(session.pipeline, rebuilt)
    assert stored(session.folder) == layers(rebuilt) != old
    assert read_survey_record(session.folder.record) == record_of(rebuilt, with_lines=False)
    for entry in entries():
        session.enter(entry._replace(time=entry.time + (AFTER + 10) * MS))
    await session.end("incomplete", "stopped")
    rebuilt = replay(session.folder)
    assert_same(session.pipeline, rebuilt)
    assert stored(session.folder) == layers(rebuilt)
    assert read_survey_record(session.folder.record) == record_of(rebuilt)


async def test_run_continues_while_it_is_placed_again(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries are journalled and shown in the old state, and none is lost or fed twice."""
    before = session.pipeline
    go = threading.Event()
    begun = threading.Event()

    def dawdle(_entries: Sequence[Entry]) -> None:
        if threading.current_thread() is not threading.main_thread():
            begun.set()
            assert go.wait(10)

    watch_replays(monkeypatch, dawdle)
    task = asyncio.create_task(session.place_again(None, prepare=nothing, on_placed=nothing))
    assert await asyncio.to_thread(begun.wait, 10)
    assert session.placing_again is not None
    for number, entry in enumerate(entries()):
        session.enter(entry._replace(time=entry.time + (AFTER + 10) * MS))
        assert session.pipeline is before
        if number % 50 == 0:
            session.flush()
            await session.checkpoint()
            await asyncio.sleep(0)
    assert before.readings > 0
    go.set()
    assert await task
    assert session.pipeline is not before
    session.flush()
    assert_same(session.pipeline, replay(session.folder))


async def test_what_is_journalled_at_the_last_moment_is_in_the_new_state(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between what a thread has followed and the exchange."""
    catch_up = session._catch_up

    async def and_more(follow: Callable[[], bool], stopped: Callable[[], bool]) -> None:
        await catch_up(follow, stopped)
        at = session.pipeline.time - session.pipeline.utc_offset + 5 * MS
        session.enter(Mark(at, MarkKind.NOTE, {"text": "late", "by": "K"}))

    monkeypatch.setattr(session, "_catch_up", and_more)
    assert await session.place_again(None, prepare=nothing, on_placed=nothing)
    assert [text for _, text in session.pipeline.notes] == ["late", "late"]


async def test_checkpoint_never_replaces_the_new_state_by_the_old_one(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It waits while arrays and record are written, and then has the new state."""
    go, begun = threading.Event(), threading.Event()
    order: list[str] = []
    write_whole = DerivedFiles.write_whole

    def slowly(self: DerivedFiles, pipeline: Pipeline, *, grid: bool) -> None:
        begun.set()
        assert go.wait(10)
        write_whole(self, pipeline, grid=grid)

    monkeypatch.setattr(DerivedFiles, "write_whole", slowly)
    task = asyncio.create_task(
        session.place_again(
            None,
            prepare=lambda _: order.append("prepared"),
            on_placed=lambda _: order.append("placed"),
        )
    )
    assert await asyncio.to_thread(begun.wait, 10)

    async def checkpoint() -> None:
        await session.checkpoint()
        order.append("checkpoint")

    waiting = asyncio.create_task(checkpoint())
    await asyncio.sleep(0.05)
    assert order == []
    go.set()
    assert await task
    await waiting
    assert order == ["prepared", "placed", "checkpoint"]
    session.flush()
    assert stored(session.folder) == layers(replay(session.folder))


async def test_placing_again_that_is_stopped_changes_nothing(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run may end in the middle of it; a rebuild places the survey by the mark."""
    before = session.pipeline
    monkeypatch.setattr("swathe.store.replaying._BATCH_BYTES", 1)
    watch_replays(monkeypatch, lambda _: session.stop_placing_again())
    assert not await session.place_again(
        None, prepare=nothing, on_placed=lambda _: pytest.fail("it was stopped")
    )
    assert session.pipeline is before
    assert session.placing_again is None


def test_published_state_is_replaced_whole() -> None:
    """What the new state lacks is ended, and the state is 'resuming' until that is published."""
    old, new = two_pipelines()
    assert len(old.gap_snapshots()) > len(new.gap_snapshots()) > 0
    mirror = Mirror()
    publisher = Publisher(mirror, old, progress_interval_ns=1)
    publisher.put_all()
    while mirror.take():
        pass
    mirror.urgent.clear()
    topics = publisher.replace(Publisher.staged(new), "placed again")
    messages = mirror.messages
    assert mirror.take() is not None  # first of all the state
    state = messages[publisher.topics.state]
    assert isinstance(state, StateMessage)
    assert (state.state, state.reason) == ("resuming", "placed again")
    known = {gap.number: gap for gap in new.gap_snapshots()}
    for gap in old.gap_snapshots():
        topic = publisher.topics.gap(gap.number)
        message = messages[topic]
        assert isinstance(message, GapMessage)
        assert topic in topics & mirror.urgent
        if gap.number in known:
            assert message.scan == known[gap.number].scan
        else:
            assert (message.status, message.end) == ("closed", GapEnd.PLACED_AGAIN)
            assert message.closed is not None
    for alarm in old.alarms.alarms:
        shown = messages[publisher.topics.alarm(alarm.number)]
        assert isinstance(shown, AlarmMessage)
        if alarm.number > len(new.alarms.alarms):
            assert (shown.status, shown.until is None) == ("over", False)
    assert publisher.topics.progress not in topics


def two_pipelines() -> tuple[Pipeline, Pipeline]:
    """Return a survey with gaps and an alarm, and the same survey with fewer of both."""
    station = parse_station(TEXT, "bench.toml")
    pipelines = Pipeline(station), Pipeline(station)
    for pipeline, gaps in zip(pipelines, ((2, 6, 12), (3,)), strict=True):
        pipeline.feed(
            Mark(START, MarkKind.OPENED, {"survey": "s-1", "station": TEXT, "utc_ns": START})
        )
        for first in gaps:
            pipeline.coverage.gaps.add(range_of(first), 0)
        pipeline.coverage.gaps.settle()
        pipeline.alarms.raise_alarm(AlarmKind.GAPS, "open", since=0)
    pipelines[0].alarms.raise_alarm(AlarmKind.TOO_FAST, "go slower", since=0)
    return pipelines


def range_of(first: int) -> NDArray[np.int64]:
    """Return two neighbouring cells."""
    return np.arange(first, first + 2)
