"""Readings that are discarded, moved and restored in a run: what is refused, and what is left."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zarr

from daemon.handmade import INDEX_STEPPED, MS, START, UTC, Motion, opened, station_text
from daemon.surveys import assert_same, watch_replays, write_run
from swathe.journal import Entry, Mark, MarkKind, Tick, read_journal
from swathe.live.auto_delay import AutoDelay
from swathe.live.commands import Commands
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.mirror import Mirror
from swathe.live.origin import Origin
from swathe.live.publisher import Publisher
from swathe.live.replacement import Replacement
from swathe.live.reviser import REFUSED
from swathe.live.revising import Revising
from swathe.live.session import Session
from swathe.live.stretches import affected_cells, resolve_stretch
from swathe.messages import CommandMessage, Extent, RevisionsMessage, StretchSnapshot, moment
from swathe.pipeline import MeasuredDelay
from swathe.station import parse_station
from swathe.store import LAYERS, SurveyFolder, read_survey_record, record_of, replay

STEPPED = INDEX_STEPPED.format(length=3, advance="command")
PORT = 'port = "ports/gauge"'
TEXT = station_text(index=STEPPED).replace(PORT, f'{PORT}\ndelay = "auto"')
# Line 0 forth; line 1 back, with a burst that is not of this wall; line 2 forth.
MOTION = Motion(
    place=lambda ms: (ms / 50 if ms < 1000 else abs(2000 - ms) / 50,),
    wall=lambda ms: 4.2 if 1400 <= ms < 1500 else 10.0,
    first=0,
    last=2600,
    tick_ms=200,
)
NOW = 3000
SLIP = StretchSnapshot(line=1)
ON_LINE = 198
"""Readings of line 1: of 200, those within the encoder's noise of a turn belong to no line."""


def a_line(ms: int, line: int) -> Mark:
    """Return the mark of a line."""
    return Mark(START + ms * MS, MarkKind.LINE, {"line": line, "by": "K"})


def entries() -> list[Entry]:
    """Return what was received of three lines."""
    marks = [
        a_line(1000, 1),
        Mark(START + 1300 * MS, MarkKind.NOTE, {"text": "Weld 12", "by": "K"}),
        Mark(START + 1700 * MS, MarkKind.NOTE, {"text": "twice", "by": "K"}),
        Mark(START + 1800 * MS, MarkKind.NOTE, {"text": "twice", "by": "K"}),
        a_line(2000, 2),
    ]
    return sorted([*MOTION.entries(), *marks], key=lambda entry: entry.time)


class Bench:
    """A run whose commands a test gives."""

    def __init__(self, session: Session, text: str = TEXT) -> None:
        station = parse_station(text, "bench.toml")
        self.session = session
        self.estimator = DelayEstimator(station)
        self.shown: list[str] = []
        self.replacement = Replacement(
            session,
            self.estimator,
            prepare=lambda _: None,
            on_placed=lambda _, how: self.shown.append(how),
        )
        self.revising = Revising(session, self.replacement)
        self.auto = AutoDelay(station, session, self.estimator, self.replacement)
        self.commands = Commands(station, session, stop=lambda _: None, ending=lambda: False)
        self.commands.on_revised = self.revising.wake

    async def settled(self) -> None:
        """Wait until the survey is placed with all revisions."""
        async with asyncio.timeout(60):
            while self.revising.pending:
                self.revising.check()
                await asyncio.sleep(0.01)

    def marks(self, *kinds: MarkKind) -> list[Mark]:
        """Return the marks of some kinds in the journal."""
        self.session.flush(sync=False)
        found = read_journal(self.session.folder.journal)
        return [one for one in found if isinstance(one, Mark) and one.kind in kinds]


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    """Return a session in which three lines were scanned."""
    station = parse_station(TEXT, "bench.toml")

    folder = SurveyFolder(tmp_path / "survey")
    with Session(folder, station, TEXT, clock=lambda: START, wall_clock=lambda: UTC) as made:
        made.resume()
        made._clock = lambda: START + NOW * MS
        for entry in entries():
            made.enter(entry)
        made.enter(Tick(START + (NOW - 1) * MS))
        yield made


@pytest.fixture
def bench(session: Session) -> Bench:
    """Return a bench on it."""
    return Bench(session)


def stored(folder: SurveyFolder) -> dict[str, bytes]:
    """Return the layers on disk."""
    group = zarr.open_group(folder.zarr, mode="r")
    return {name: np.asarray(group[name]).tobytes() for name in LAYERS}


# --- what is meant


def times(now: int = UTC + NOW * MS, **stretch: Any) -> tuple[int | None, int | None, bool]:
    """Return the times of a stretch in ms after the start, and whether it is of this run only."""
    station = parse_station(TEXT, "bench.toml")
    found = resolve_stretch(
        StretchSnapshot(**stretch),
        now=now,
        opened=UTC + 500 * MS,
        notes=[(UTC + 1300 * MS, "Weld 12"), (UTC + 5 * MS, "twice"), (UTC + 6 * MS, "twice")],
        scan=station.scan_axis,
        index=station.index_axis,
    )
    begin, end = (None if at is None else (at - UTC) // MS for at in (found.begin, found.end))
    return begin, end, found.this_run


def iso(ms: int) -> str:
    """Return a time as text."""
    return moment(UTC + ms * MS).isoformat()


def test_stretch_ends_with_the_command_and_begins_where_it_says() -> None:
    """The last seconds, a time, a note; of several the narrowest holds."""
    assert times(line=1) == (None, None, False)
    assert times(last=2.0) == (1000, None, True)
    assert times(begin=iso(700)) == (700, None, False)
    assert times(begin=iso(700).replace("+00:00", "Z"), end=iso(900)) == (700, 900, False)
    assert times(begin=" weld 12 ", last=2.0) == (1300, None, True)
    assert times(begin="Weld 12", last=1.0) == (2000, None, True)
    assert times(line=1, end=iso(9_000)) == (None, 9_000, False)
    assert times(end="Weld 12") == (None, 1300, False)
    # Before the run began it is a matter of the earlier ones' clocks.
    assert times(last=2.5) == (500, None, True)
    assert times(last=2.501) == (499, None, False)


@pytest.mark.parametrize(
    ("stretch", "reason"),
    [
        ({"line": 4}, "the plan has the lines 0 to 3"),
        ({"scan": Extent(9.0, 9.0)}, "must run from the lower to the higher border"),
        ({"scan": Extent(30.0, 40.0)}, "is outside the plan, which runs from -0.5 to 20.5 mm"),
        ({"begin": iso(900), "end": iso(900)}, "'begin' must be before 'end'"),
        ({"begin": iso(NOW), "last": 3.0}, "'begin' must be before 'end'"),
        ({"begin": "2027-01-15T08:00:00"}, "must have its offset from UTC"),
        ({"begin": "weld 13"}, "there is no note 'weld 13'"),
        ({"end": "twice"}, "2 notes are 'twice'"),
    ],
)
def test_stretch_that_is_none_is_refused_with_the_reason(
    stretch: dict[str, Any], reason: str
) -> None:
    """Nothing is guessed."""
    with pytest.raises(ValueError, match=reason.replace("(", r"\(")):
        times(**stretch)


def test_cells_of_a_stretch_are_those_that_it_may_affect(session: Session) -> None:
    """By line, span and time; a stretch without any is refused."""
    grid = session.pipeline.grid

    def affected(**stretch: Any) -> tuple[int, int]:
        found = StretchSnapshot(**stretch)
        at = resolve_stretch(
            found,
            now=UTC + NOW * MS,
            opened=UTC,
            notes=[],
            scan=grid.scan,
            index=grid.index,
        )
        return affected_cells(found, at, session.pipeline)[:2]

    cells, hits = affected(line=1)
    assert (cells, hits) == (21, int(grid.hits[21:42].sum()))
    assert affected(line=3) == (0, 0)
    assert affected(line=2, end=iso(2000))[0] > 0  # a cell has the time of its last reading only
    assert affected(last=0.3) == (0, 0)
    few, some = affected(line=1, scan=Extent(3.6, 5.4))
    assert (few, some) == (2, int(grid.hits[21 + 4 : 21 + 6].sum()))
    assert affected(begin=iso(2100))[0] == np.count_nonzero(
        (grid.hits > 0) & (grid.last_time >= UTC + 2100 * MS)
    )


# --- commands


@pytest.mark.parametrize(
    ("command", "reason"),
    [
        ({"command": "discard", "stretch": {"line": 3}}, "nothing was read there"),
        ({"command": "discard", "stretch": {"line": 9}}, "the plan has the lines 0 to 3"),
        ({"command": "discard", "stretch": {"last": 0.2}}, "nothing was read there"),
        ({"command": "discard", "stretch": {"begin": "weld 13"}}, "there is no note"),
        ({"command": "discard", "stretch": {"line": 1}, "text": " "}, "a reason must be given"),
        ({"command": "move", "stretch": {"line": 1}, "line": 4}, "the plan has the lines 0 to 3"),
        ({"command": "move", "stretch": {"line": 1}, "line": 1}, "are of line 1 already"),
        ({"command": "restore", "revision": 1}, "there is no revision 1"),
    ],
)
def test_refused_revision_leaves_no_mark(
    bench: Bench, command: dict[str, Any], reason: str
) -> None:
    """It is checked whole before anything is journalled."""
    message = CommandMessage.model_validate({"id": "a", "by": "K", "text": "slip", **command})
    reply = bench.commands.execute(message, Origin.MQTT)
    assert not reply.accepted
    assert reason in reply.detail
    assert bench.marks(MarkKind.DISCARDED, MarkKind.MOVED, MarkKind.RESTORED) == []


def test_readings_of_an_encoded_axis_are_not_moved(tmp_path: Path) -> None:
    """Its encoder gives the line."""
    text = station_text()
    station = parse_station(text, "bench.toml")
    with Session(SurveyFolder(tmp_path / "survey"), station, text) as session:
        session.resume()
        answer = Bench(session, text).commands.move(StretchSnapshot(last=5.0), 0, "K", "slip")
    assert answer == f"{REFUSED}the index axis is not stepped: its encoder gives the line"


def test_mark_of_a_revision_is_complete_in_itself(bench: Bench) -> None:
    """Its times are resolved once, when it is given."""
    stretch = StretchSnapshot(begin="weld 12", last=2.5, line=1, scan=Extent(2.0, 9.0))
    answer = bench.commands.discard(stretch, "A. Kern", "wrong line")
    assert answer.startswith("revision 1 discards: line 1, 2…9 mm, since 08:00:01 UTC")
    assert "the exact number follows" in answer
    (mark,) = bench.marks(MarkKind.DISCARDED)
    assert mark.detail == {
        "revision": 1,
        "begin": UTC + 1300 * MS,
        "end": None,
        "this_run": True,
        "line": 1,
        "scan": [2.0, 9.0],
        "by": "A. Kern",
        "because": "wrong line",
    }


def test_line_in_force_is_set_where_it_was_the_wrong_one(bench: Bench) -> None:
    """Only if the stretch lasts until now: an earlier line is corrected without it."""
    move = bench.commands.move
    assert "line 3 is in force" not in move(StretchSnapshot(line=1), 3, "K", "slip")
    assert "in force" not in move(StretchSnapshot(line=2, end=iso(2500)), 3, "K", "slip")
    assert "in force" not in move(StretchSnapshot(line=2, scan=Extent(0.0, 5.0)), 3, "K", "slip")
    assert bench.session.pipeline.line == 2
    assert move(StretchSnapshot(line=2), 3, "K", "slip").endswith("line 3 is in force from now on")
    assert bench.session.pipeline.line == 3
    assert "in force" not in move(StretchSnapshot(last=2.0), 3, "K", "slip")
    *_, moved = bench.marks(MarkKind.MOVED, MarkKind.LINE)[:-1]
    assert moved.kind is MarkKind.LINE
    assert moved.detail == {"line": 3, "by": "K"}


# --- effect


async def test_discarded_line_is_gone_and_comes_back_bit_for_bit(bench: Bench) -> None:
    """In memory and on disk; each time as a rebuild has it."""
    session = bench.session
    await session.checkpoint(whole=True)
    before = stored(session.folder)
    first = session.pipeline
    assert first.minimum.value == pytest.approx(4.2)
    bench.revising.begin()
    assert bench.commands.discard(SLIP, "K", "a slip").startswith("revision 1 discards: line 1")
    assert session.pipeline is first
    await bench.settled()
    session.flush()
    assert_same(session.pipeline, replay(session.folder))
    assert session.pipeline.minimum.value == pytest.approx(10.0)
    assert session.pipeline.coverage.measured_in_row(1) == 0
    assert bench.shown == ["without line 1"]
    (one,) = read_survey_record(session.folder.record).revisions
    assert (one.line, one.by, one.because, one.readings) == (1, "K", "a slip", ON_LINE)
    without = stored(session.folder)
    assert without != before

    again = bench.commands.restore(1, "L", "it was right")
    assert again.startswith("revision 1 (line 1) is taken back")
    await bench.settled()
    session.flush()
    assert_same(session.pipeline, replay(session.folder))
    assert stored(session.folder) == before
    (one,) = read_survey_record(session.folder.record).revisions
    assert (one.readings, one.restored_by, one.restored_because) == (0, "L", "it was right")
    refused = bench.commands.restore(1, "K", "again")
    assert refused == f"{REFUSED}revision 1 was already restored by L"
    await bench.revising.finish()
    await bench.revising.close()


async def test_revisions_are_published_whole(bench: Bench) -> None:
    """Empty at first; then with the number of readings once the survey is placed with it."""
    mirror = Mirror()
    publisher = Publisher(mirror, bench.session.pipeline, progress_interval_ns=1)
    publisher.put_all()

    def published() -> list[tuple[int, int | None]]:
        message = mirror.messages[publisher.topics.revisions]
        assert isinstance(message, RevisionsMessage)
        return [(one.number, one.readings) for one in message.revisions]

    assert published() == []
    bench.commands.discard(SLIP, "K", "slip")
    publisher.put_changes(0, {}, bench.estimator)
    assert published() == [(1, None)]
    bench.revising.begin()
    await bench.settled()
    mixed = publisher.replace(Publisher.staged(bench.session.pipeline), "placed again")
    assert published() == [(1, ON_LINE)]
    assert publisher.topics.revisions in mixed
    bench.commands.restore(1, "K", "it was right")
    publisher.put_changes(0, {}, bench.estimator)
    assert published() == [(1, None)]
    await bench.revising.close()


async def test_revision_during_a_placing_has_its_own_after_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None is lost, and two never run at a time."""
    running: list[int] = []
    most: list[int] = []
    begun, go = threading.Event(), threading.Event()
    place = Session.place_again

    async def watched(self: Session, *args: Any, **kwargs: Any) -> bool:
        running.append(1)
        most.append(len(running))
        try:
            return await place(self, *args, **kwargs)
        finally:
            running.pop()

    def dawdle(_entries: Sequence[Entry]) -> None:
        if threading.current_thread() is not threading.main_thread():
            begun.set()
            assert go.wait(30)

    monkeypatch.setattr(Session, "place_again", watched)
    watch_replays(monkeypatch, dawdle)
    bench.revising.begin()
    bench.commands.discard(SLIP, "K", "slip")
    assert await asyncio.to_thread(begun.wait, 30)
    assert bench.replacement.text == "placing again without line 1, 0%"
    bench.commands.move(StretchSnapshot(line=0), 3, "K", "it was line 3")
    # A delay is due too.
    detail = MeasuredDelay(7 * MS, 6 * MS, 8 * MS, 4)
    bench.session.mark(MarkKind.DELAY, **detail.as_detail("gauge"))
    placing = asyncio.create_task(bench.auto._place_again(detail))
    await asyncio.sleep(0)
    go.set()
    await placing
    await bench.settled()
    bench.session.flush()
    assert_same(bench.session.pipeline, replay(bench.session.folder))
    assert bench.session.pipeline.delays["gauge"] == 7 * MS
    assert [one.number for one in bench.session.pipeline.applied_revisions.revisions] == [1, 2]
    assert bench.session.pipeline.coverage.measured_in_row(3) > 15
    assert most == [1, 1]  # the second one had both
    assert bench.replacement.text == ""
    await bench.revising.close()


async def test_end_of_a_run_waits_for_the_survey_to_be_placed(bench: Bench) -> None:
    """The last record is of the survey with all revisions."""
    bench.revising.begin()
    bench.commands.discard(SLIP, "K", "slip")
    assert bench.revising.pending
    await bench.revising.finish()
    assert not bench.revising.pending
    await bench.session.end("incomplete", "stopped")
    rebuilt = replay(bench.session.folder)
    assert read_survey_record(bench.session.folder.record) == record_of(rebuilt)
    await bench.revising.close()


async def test_closed_run_begins_no_placing(bench: Bench) -> None:
    """After an error, for example; the next run applies the mark."""
    first = bench.session.pipeline
    bench.commands.discard(SLIP, "K", "slip")
    bench.revising.begin()
    await bench.revising.close()
    assert bench.session.pipeline is first
    assert not await bench.replacement.run("again", needed=lambda: True)


async def test_marks_that_the_disk_lacks_are_not_looked_for_without_end(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run ends incomplete."""
    monkeypatch.setattr("swathe.live.placing_again.revisions_in_force", lambda _: ())
    bench.revising.begin()
    bench.commands.discard(SLIP, "K", "slip")
    async with asyncio.timeout(60):
        await bench.revising.finish()
    assert bench.revising.pending
    assert bench.shown == ["without line 1"]
    await bench.revising.close()


async def test_failure_to_place_ends_the_run(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk is raised where the run looks; memory that is full leaves it incomplete."""
    failure: list[BaseException] = [MemoryError(), OSError("full")]

    async def fail(*_args: object, **_kwargs: object) -> bool:
        raise failure.pop(0)

    monkeypatch.setattr(Session, "place_again", fail)
    bench.revising.begin()
    bench.commands.discard(SLIP, "K", "slip")
    async with asyncio.timeout(60):
        while len(failure) > 1:  # noqa: ASYNC110  nothing else tells it
            await asyncio.sleep(0.01)
    bench.revising.check()
    assert bench.revising.pending
    await bench.revising.finish()

    other = Revising(bench.session, bench.replacement)
    other.begin()
    async with asyncio.timeout(60):
        while other._task is None or not other._task.done():  # noqa: ASYNC110  as each tick asks
            await asyncio.sleep(0.01)
    with pytest.raises(OSError, match="full"):
        other.check()
    with pytest.raises(OSError, match="full"):
        await other.finish()


def test_run_that_was_killed_before_the_effect_is_resumed_with_it(tmp_path: Path) -> None:
    """The mark is in the journal: it is read before anything is placed."""
    stretch = {"begin": None, "end": None, "this_run": False, "line": 1, "scan": None}
    who = {"revision": 1, "by": "K", "because": "slip"}
    folder = SurveyFolder(tmp_path / "survey")
    discard = Mark(START + NOW * MS, MarkKind.DISCARDED, {**stretch, **who})
    write_run(folder, [opened(TEXT), *entries(), discard])
    station = parse_station(TEXT, "bench.toml")
    later = 100_000
    with Session(folder, station, TEXT, clock=lambda: START + later * MS) as session:
        session.resume()
        assert session.pipeline.coverage.measured_in_row(1) == 0
        assert not session.pipeline.revisions_pending
        session.flush(sync=False)
        assert_same(session.pipeline, replay(folder))
    assert read_survey_record(folder.record).revisions[0].readings == ON_LINE


async def test_what_estimates_the_delay_is_shown_what_counts(bench: Bench) -> None:
    """The observer of the new pipeline, which never received the readings that were discarded."""
    before = bench.session.pipeline.readings
    bench.revising.begin()
    bench.commands.discard(SLIP, "K", "slip")
    await bench.settled()
    assert bench.estimator.watch is bench.session.observer
    assert bench.estimator.watch is not None
    assert bench.estimator.watch.kept == bench.session.pipeline.readings == before - ON_LINE
    await bench.revising.close()
