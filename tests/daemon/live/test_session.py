"""A session: the journal before the effect, and syncs while the run continues."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from daemon.handmade import station_text
from daemon.surveys import TEXT as SURVEY_TEXT
from daemon.surveys import assert_same, watch_replays, write_survey
from support.syncs import record_syncs
from swathe.errors import JournalError, MisuseError, SurveyError
from swathe.journal import Entry, JournalWriter, Mark, MarkKind, Tick, read_journal
from swathe.live.keeping import Kept, StateKeeper
from swathe.live.resumption_progress import resuming_text
from swathe.live.session import Session
from swathe.pipeline import Grid, Pipeline
from swathe.station import AlarmKind, parse_station
from swathe.store import SurveyFolder, check_survey, replay
from swathe.store.zarr_store import GridBlock

TEXT = station_text()


def session_in(path: Path, text: str = TEXT) -> Session:
    """Return a session that is not entered yet."""
    return Session(SurveyFolder(path), parse_station(text, "bench.toml"), text)


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    """Return a session of a new survey."""
    with session_in(tmp_path / "survey") as made:
        made.resume()
        yield made


def journal_file(session: Session) -> Path:
    """Return the journal's only file."""
    (path,) = session.folder.journal.glob("*.mcap")
    return path


def test_entry_is_journalled_before_it_acts(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the pipeline gets an entry, the journal has it already."""
    order: list[tuple[str, Entry]] = []
    write, feed = JournalWriter.write, session.pipeline.collect

    def record_write(writer: JournalWriter, entry: Entry) -> None:
        write(writer, entry)
        order.append(("journal", entry))

    def record_feed(entry: Entry) -> None:
        order.append(("pipeline", entry))
        feed(entry)

    monkeypatch.setattr(JournalWriter, "write", record_write)
    monkeypatch.setattr(session.pipeline, "collect", record_feed)
    entry = Tick(5)
    session.enter(entry)
    assert order == [("journal", entry), ("pipeline", entry)]


def test_entry_that_cannot_be_journalled_does_not_act(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full disk nothing happens that a rebuild would not know of."""

    def fail(_writer: JournalWriter, _entry: Entry) -> None:
        raise JournalError(session.folder.journal, "cannot be written: No space left on device")

    monkeypatch.setattr(JournalWriter, "write", fail)
    with pytest.raises(JournalError, match="No space left"):
        session.mark(MarkKind.NOTE, text="lost", by="crew-1")
    assert session.pipeline.notes == []


def test_begun_run_is_on_disk_before_anything_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mark that opens a run, with the station file, is synced before the session is used."""
    (tmp_path / "survey" / "journal").mkdir(parents=True)
    syncs = record_syncs(monkeypatch, tmp_path / "survey" / "journal")
    with session_in(tmp_path / "survey") as session:
        path = journal_file(session)
        synced = [sync for sync in syncs if sync.of(path)]
        assert synced[-1].size == path.stat().st_size
        (opened,) = read_journal(session.folder.journal)
        assert isinstance(opened, Mark)
        assert opened.kind is MarkKind.OPENED
        assert opened.detail["station"] == TEXT


async def settled(session: Session) -> None:
    """Wait until the session's sync is done."""
    assert session.kept.syncing is not None
    await asyncio.wait_for(asyncio.wait([session.kept.syncing]), 10)


async def test_flush_hands_over_and_starts_a_sync(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each flush puts the entries into the file and then syncs it, behind the run's back."""
    path = journal_file(session)
    syncs = record_syncs(monkeypatch, session.folder.journal)
    for count in (1, 2, 3):
        session.mark(MarkKind.NOTE, text=f"note {count}", by="crew-1")
        session.flush()
        size = path.stat().st_size
        await settled(session)
        assert len(syncs) == count
        assert syncs[-1].of(path)
        assert syncs[-1].size == size
        notes = [e for e in read_journal(session.folder.journal) if isinstance(e, Mark)][1:]
        assert [mark.detail["text"] for mark in notes] == [f"note {k + 1}" for k in range(count)]


async def test_flush_during_a_sync_starts_no_second_one(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a slow disk the entries are handed over each time; the next sync follows the first."""
    go, count = threading.Event(), 0
    real = os.fdatasync

    def slow(descriptor: int) -> None:
        nonlocal count
        count += 1
        assert go.wait(60)
        real(descriptor)

    monkeypatch.setattr(os, "fdatasync", slow)
    session.tick()
    session.flush()
    for _ in range(3):
        session.tick()
        session.flush()
        await asyncio.sleep(0)
    assert len(list(read_journal(session.folder.journal))) == 5  # the opening mark and four ticks
    go.set()
    await settled(session)
    assert count == 1
    session.flush()
    await settled(session)
    assert count == 2


async def test_flush_without_sync_leaves_it_to_the_next_one(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries are handed over at once and synced with a later flush, even one without entries."""
    syncs = record_syncs(monkeypatch, session.folder.journal)
    session.tick()
    session.flush(sync=False)
    assert len(list(read_journal(session.folder.journal))) == 2
    assert session.kept.syncing is None
    session.flush()
    await settled(session)
    assert len(syncs) == 1


async def test_nothing_is_synced_twice(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flush without entries since the last sync starts none."""
    syncs = record_syncs(monkeypatch, session.folder.journal)
    session.tick()
    session.flush()
    await settled(session)
    session.flush()
    assert session.kept.syncing is None
    assert len(syncs) == 1


async def test_sync_that_failed_is_a_trouble_until_one_succeeds(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fails in the background ends no run and does not go unnoticed."""
    refused = True
    real = os.fdatasync

    def sync(descriptor: int) -> None:
        if refused:
            raise OSError(5, "Input/output error")
        real(descriptor)

    monkeypatch.setattr(os, "fdatasync", sync)
    session.tick()
    session.flush()
    await settled(session)
    session.flush()
    assert session.disk_alarms()[AlarmKind.DISK_FAILS].startswith("Input/output error; the disk or")
    assert "wait in memory" in session.disk_trouble
    assert "are not known to be on the disk" in session.unsaved
    session.mark(MarkKind.NOTE, text="meanwhile", by="crew-1")
    assert session.pipeline.notes  # a rebuild has it too, once the disk takes it
    refused = False
    await asyncio.wait_for(session.kept.synced(), 30)
    assert session.disk_trouble == ""
    assert not any(session.disk_alarms().values())
    assert session.unsaved.startswith("the journal is on the disk;")
    notes = [e for e in read_journal(session.folder.journal) if isinstance(e, Mark)]
    assert notes[-1].detail["text"] == "meanwhile"


async def test_record_of_many_bytes_is_not_written_with_every_copy(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A record that takes longer than the interval at its pace waits; at the end of a run it does not."""

    def written() -> int:
        return session.folder.record.stat().st_ino

    monkeypatch.setattr("swathe.live.derived_files._RECORD_BYTES_A_SECOND", 1 << 40)
    await session.checkpoint()
    first = written()
    await session.checkpoint()
    assert written() != first  # it takes less than the time since
    monkeypatch.setattr("swathe.live.derived_files._RECORD_BYTES_A_SECOND", 1)
    await session.checkpoint()
    slow = written()
    await session.checkpoint()
    assert written() == slow
    await session.checkpoint(whole=True)
    assert written() != slow
    assert check_survey(session.folder).good


async def test_arrays_that_a_disk_refuses_are_written_by_the_next_checkpoint(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an earlier copy held is not lost with it; at the end of a run it is an error."""
    with monkeypatch.context() as full:

        def refuse(*_: object) -> None:
            raise SurveyError(session.folder.record, "cannot be written: No space left on device")

        full.setattr("swathe.store.record_text.record_bytes", refuse)
        await session.checkpoint()
        text = session.disk_alarms()[AlarmKind.DISK_FAILS]
        assert text.startswith("arrays and record are older than the journal: ")
        assert session.disk_trouble == ""  # the journal itself has everything
        with pytest.raises(SurveyError, match="No space left"):
            await session.checkpoint(whole=True)
    session.pipeline.grid.touched.add_all()
    spans: list[dict[int, tuple[int, int]]] = []
    arrays = session._files._arrays
    blocks = arrays.blocks

    def record(grid: Grid, changed: dict[int, tuple[int, int]]) -> list[GridBlock]:
        spans.append(changed)
        return blocks(grid, changed)

    monkeypatch.setattr(arrays, "blocks", record)
    await session.checkpoint()
    rows, columns = session.pipeline.grid.shape
    assert spans == [dict.fromkeys(range(rows), (0, columns - 1))]
    assert not any(session.disk_alarms().values())
    await session.checkpoint()
    assert spans[1:] == [{}]


async def test_end_waits_for_the_sync_and_writes_what_is_derived(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the end of a run no sync is under way, and journal and record have the end."""
    done = threading.Event()
    real = os.fdatasync

    def slow(descriptor: int) -> None:
        real(descriptor)
        threading.Event().wait(0.2)
        done.set()

    monkeypatch.setattr(os, "fdatasync", slow)
    session.tick()
    session.flush()
    await session.end("incomplete", "stopped")
    assert done.is_set()
    last = list(read_journal(session.folder.journal))[-1]
    assert isinstance(last, Mark)
    assert last.kind is MarkKind.ENDED
    assert last.detail == {"status": "incomplete", "reason": "stopped"}
    assert '"incomplete"' in session.folder.record.read_text(encoding="utf-8")


def test_second_session_on_one_survey_is_refused(session: Session) -> None:
    """One survey has one writer, or two runs would be mixed."""
    with pytest.raises(SurveyError, match="another swathe process writes to this survey"):
        session_in(session.folder.path).__enter__()
    assert len(list(session.folder.journal.glob("*.mcap"))) == 1


def entered(session: Session, number: int) -> None:
    """Enter a note."""
    session.mark(MarkKind.NOTE, text=f"note {number}", by="crew-1")


def notes(pipeline: Pipeline) -> list[str]:
    """Return the texts of the notes."""
    return [text for _, text in pipeline.notes]


def test_pipeline_is_not_shown_before_it_is_resumed(tmp_path: Path) -> None:
    """An empty one would claim that nothing was measured."""
    session = session_in(tmp_path / "survey")
    with pytest.raises(MisuseError, match="not resumed yet"):
        _ = session.pipeline
    with pytest.raises(MisuseError, match="not entered"):
        session.resume()
    with session:
        with pytest.raises(MisuseError, match="not resumed yet"):
            _ = session.pipeline
        assert (
            resuming_text(session.resumed)
            == "the survey is being resumed: the journal of earlier runs is replayed, 0% is done"
        )
        session.resume()
        assert resuming_text(session.resumed) == ""
        assert session.pipeline.survey == session.survey


async def test_what_is_entered_before_it_is_resumed_counts(tmp_path: Path) -> None:
    """It is in the journal at once, and in the pipeline in its turn, before what comes later."""
    folder = write_survey(tmp_path / "survey")
    with session_in(folder.path, SURVEY_TEXT) as session:
        assert session.continued
        assert session.survey == "s-1"
        entered(session, 1)
        session.flush()
        assert await session.resume_meanwhile()
        entered(session, 2)
        assert notes(session.pipeline) == ["wet", "dry", "note 1", "note 2"]
        await session.end("incomplete", "stopped")
        assert_same(session.pipeline, replay(folder))


async def test_run_is_journalled_while_earlier_runs_are_replayed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long that takes; every entry of meanwhile is fed once, in order."""
    folder = write_survey(tmp_path / "survey")
    go, begun = threading.Event(), threading.Event()
    order: list[Entry] = []
    feed = Pipeline.feed

    def wait(entries: Sequence[Entry]) -> None:
        begun.set()
        assert go.wait(60)
        order.extend(entries)

    def note(pipeline: Pipeline, entry: Entry) -> None:
        order.append(entry)
        feed(pipeline, entry)

    watch_replays(monkeypatch, wait)
    monkeypatch.setattr(Pipeline, "feed", note)
    with session_in(folder.path, SURVEY_TEXT) as session:
        resuming = asyncio.create_task(session.resume_meanwhile())
        assert await asyncio.to_thread(begun.wait, 60)
        for number in range(50):
            entered(session, number)
            session.tick()
            session.flush()
            await asyncio.sleep(0)
        assert not resuming.done()
        assert session.resumed is not None
        go.set()
        assert await resuming
        session.tick()
        await session.end("incomplete", "stopped")
        assert order == list(read_journal(folder.journal))
        monkeypatch.undo()
        assert_same(session.pipeline, replay(folder))


async def test_what_a_flush_left_to_a_slow_sync_is_written_before_the_survey_is_resumed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where nothing more is journalled, which would flush it."""
    folder = write_survey(tmp_path / "survey")
    held, begun = threading.Event(), threading.Event()
    real = os.fdatasync

    def slow(descriptor: int) -> None:
        begun.set()
        assert held.wait(60)
        real(descriptor)

    with session_in(folder.path, SURVEY_TEXT) as session:
        monkeypatch.setattr(os, "fdatasync", slow)
        monkeypatch.setattr("swathe.journal.steady_file._SLOW_SYNC_NS", -1)
        entered(session, 1)
        session.flush()
        assert await asyncio.to_thread(begun.wait, 60)
        assert session._journal._file is not None
        with session._journal._file.steady._lock:  # a thread of the flush before is held up
            entered(session, 2)
            session.flush()
            assert not session._journal.readable
        resuming = asyncio.create_task(session.resume_meanwhile())
        held.set()
        assert await asyncio.wait_for(resuming, 60)
        assert notes(session.pipeline)[-2:] == ["note 1", "note 2"]
        await session.end("incomplete", "stopped")


async def test_resuming_that_is_stopped_keeps_the_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run ends in the journal; the next one has all of it."""
    folder = write_survey(tmp_path / "survey")
    begun = threading.Event()

    def dawdle(_entries: Sequence[Entry]) -> None:
        begun.set()
        threading.Event().wait(0.05)

    with monkeypatch.context() as patch, session_in(folder.path, SURVEY_TEXT) as session:
        watch_replays(patch, dawdle)
        resuming = asyncio.create_task(session.resume_meanwhile())
        assert await asyncio.to_thread(begun.wait, 60)
        entered(session, 1)
        session.stop_resuming()
        assert await asyncio.wait_for(resuming, 2) is False
        with pytest.raises(MisuseError, match="not resumed yet"):
            _ = session.pipeline
        await session.end("incomplete", "stopped")
    last = list(read_journal(folder.journal))[-1]
    assert isinstance(last, Mark)
    assert last.detail == {"status": "incomplete", "reason": "stopped"}
    with session_in(folder.path, SURVEY_TEXT) as session:
        session.resume()
        assert notes(session.pipeline) == ["wet", "dry", "note 1"]


async def test_first_run_is_not_stopped_while_it_begins(tmp_path: Path) -> None:
    """There is nothing to replay: it ends as any run does, with its record."""
    with session_in(tmp_path / "survey") as session:
        session.stop_resuming()
        assert await session.resume_meanwhile()
        await session.end("incomplete", "stopped")
    assert session.folder.record.exists()


@pytest.mark.parametrize("end", [True, False])
async def test_next_run_resumes_from_what_this_one_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, end: bool
) -> None:
    """At its end, or, of a run that was killed, after an interval; the state is the whole replay's."""
    folder = write_survey(tmp_path / "survey")
    with session_in(folder.path, SURVEY_TEXT) as session:
        assert await session.resume_meanwhile()
        entered(session, 1)
        if end:
            await session.end("incomplete", "stopped")
        else:
            monkeypatch.setattr("swathe.live.keeping.StateKeeper.due", lambda _: True)
            await session.checkpoint()
            entered(session, 2)
            session.flush()
    count = len(list(read_journal(folder.journal)))
    fed: list[Entry] = []
    with session_in(folder.path, SURVEY_TEXT) as session:
        with monkeypatch.context() as patch:
            watch_replays(patch, fed.extend)
            session.resume()
        assert len(fed) == (1 if end else 2)  # the opening mark, and the second note
        assert len(list(read_journal(folder.journal))) == count + 1
        session.flush()
        assert_same(session.pipeline, replay(folder))


async def test_state_is_kept_at_intervals_only(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Arrays and record are written more often than the state is copied."""
    saved: list[Kept] = []
    monkeypatch.setattr(StateKeeper, "save", lambda _, kept: saved.append(kept))
    await session.checkpoint()
    assert saved == []
    monkeypatch.setattr("swathe.live.keeping._INTERVAL_NS", 0)
    await session.end("incomplete", "stopped")
    await session.checkpoint()
    await session.checkpoint()
    assert len(saved) == 3
