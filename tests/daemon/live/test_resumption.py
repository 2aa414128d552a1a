"""Resuming: from a checkpoint or from the start of the journal, the state is the same bit for bit."""

from __future__ import annotations

import itertools
import logging
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.handmade import MS, START, Motion, ended, opened, station, station_text
from daemon.surveys import RUNS, TEXT, assert_same, watch_replays, write_run
from swathe.journal import (
    Entry,
    JournalWriter,
    Mark,
    MarkKind,
    segment_digests,
    segment_paths,
)
from swathe.live.keeping import StateKeeper
from swathe.live.resumption import Resumption
from swathe.pipeline import MeasuredDelay, Pipeline, PlacingObserver
from swathe.pipeline.placing.delay_observer import DelayObserver
from swathe.store import CheckpointFile, SurveyFolder, replay
from swathe.store import frozen as frozen_module

USED = "swathe.live.resumption"


def mark(ms: int, kind: MarkKind, **detail: object) -> Mark:
    """Return a mark of the first run."""
    return Mark(START + ms * MS, kind, detail)


# Everything at once: a stepped axis, an alert, a check that fails, a pause, a zone, an operator.
EVENTFUL_TEXT = station_text(
    scan_length=20,
    index='[index]\nlength = "3 mm"\nresolution = "1 mm"\nmode = "stepped"\nadvance = "command"',
    survey='cell_rule = "mean"\nnominal_thickness = "12 mm"\nalert_below = "10.5 mm"',
)
_MARKS = (
    mark(300, MarkKind.PAUSED, by="crew-1", because="phone"),
    mark(400, MarkKind.RESUMED, by="crew-1"),
    mark(1100, MarkKind.LINE, line=1, by="crew-1"),
    mark(1300, MarkKind.ZONE_EXCLUDED, name="lug", scan=[14.0, 16.0], index=None, by="crew-1"),
    mark(1400, MarkKind.GAP_REQUESTED, gap=1, by="crew-1"),
    mark(1450, MarkKind.ALARM_ACKNOWLEDGED, alarm=1, by="crew-1"),
    mark(1500, MarkKind.REFERENCED, scan=5.0, by="crawler"),
    mark(1600, MarkKind.CHECK_BEGUN, phase="after", by="crew-1", tolerance=0.01, block="b"),
    mark(1800, MarkKind.CHECK_STEP, thickness=3.0, begin=START + 1610 * MS, end=START + 1790 * MS),
    mark(1900, MarkKind.CHECK_ENDED),
)
_MOVING = Motion(
    place=lambda ms: (20 - abs(ms - 1000) / 50,) if ms < 1600 else (5.0,),
    wall=lambda ms: "N" if 450 <= ms < 600 else 10.0 + ms / 1000,
    first=0,
    last=2000,
)
EVENTFUL: tuple[Entry, ...] = (
    opened(EVENTFUL_TEXT),
    *sorted([*_MARKS, *_MOVING.entries()], key=lambda entry: entry.time),
    ended(START + 2100 * MS),
)
SURVEYS = {"two runs": (TEXT, RUNS), "eventful": (EVENTFUL_TEXT, (EVENTFUL,))}


@pytest.fixture
def folder(tmp_path: Path) -> SurveyFolder:
    """Return a survey that is empty so far."""
    return SurveyFolder(tmp_path / "survey")


def checkpoint(folder: SurveyFolder) -> CheckpointFile:
    """Return the survey's checkpoint, in a cache next to it."""
    return CheckpointFile(folder.path, "s-1", cache=folder.path.parent / "cache")


def write_keeping(
    folder: SurveyFolder,
    text: str,
    runs: Iterable[Iterable[Entry]],
    *,
    at: int,
    observer: PlacingObserver | None = None,
) -> None:
    """Write the runs, the last without its end, and keep the state after `at` entries of it."""
    *earlier, last = runs
    for run in earlier:
        write_run(folder, run)
    digests = [segment_digests(path)[1] for path in segment_paths(folder.journal)]
    pipeline = Pipeline(station(text), observer=observer)
    for run in earlier:
        for entry in run:
            pipeline.feed(entry)
    keeper = StateKeeper(checkpoint(folder))
    with JournalWriter(folder.journal, wall_clock=lambda: 0) as journal:
        for number, entry in enumerate(last):
            journal.write(entry)
            if number <= at:
                pipeline.feed(entry)
            if number % 9 == 0 or number == at:
                journal.flush()
            if number == at:
                known = [*digests, *journal.digests()]
                kept = keeper.take(pipeline, observer, journal.position(), known, meanwhile=True)
                assert kept is not None
                keeper.save(kept)


class Resumed:
    """A survey after it was resumed, in a run that has only begun."""

    def __init__(
        self, folder: SurveyFolder, text: str, *, observer: PlacingObserver | None = None
    ) -> None:
        self.torn: list[str] = []
        with JournalWriter(folder.journal) as journal:
            self.resumption = Resumption(
                folder,
                station(text),
                journal,
                checkpoint(folder),
                observer=observer,
                on_torn=lambda path, _: self.torn.append(path.name),
            )
            self.resumption.replay()
        self.pipeline = self.resumption.pipeline


@pytest.fixture
def reasons(caplog: pytest.LogCaptureFixture) -> Callable[[], list[str]]:
    """Return why a checkpoint was not used, each time."""
    caplog.set_level(logging.INFO, USED)
    return lambda: [
        record.getMessage().partition("not used: ")[2]
        for record in caplog.records
        if record.name == USED
    ]


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.0, 0.23, 0.7, 1.0])
@pytest.mark.parametrize("name", SURVEYS)
def test_resuming_from_a_checkpoint_equals_the_whole_replay(
    folder: SurveyFolder, reasons: Callable[[], list[str]], name: str, share: float
) -> None:
    """Wherever in a run the state was kept; and so does what a further run makes of it."""
    text, runs = SURVEYS[name]
    write_keeping(folder, text, runs, at=round(share * (len(runs[-1]) - 1)))
    expected = replay(folder)
    found = Resumed(folder, text)
    assert reasons() == []
    assert_same(found.pipeline, expected)
    for entry in runs[0]:
        for pipeline in (found.pipeline, expected):
            pipeline.feed(entry)
    assert_same(found.pipeline, expected)
    assert found.resumption.digests == [
        segment_digests(path)[1] for path in segment_paths(folder.journal)
    ]


def test_only_the_rest_is_replayed(folder: SurveyFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    """That is what a checkpoint is for."""
    write_keeping(folder, TEXT, RUNS, at=300)
    fed: list[Entry] = []
    watch_replays(monkeypatch, fed.extend)
    Resumed(folder, TEXT)
    assert fed == list(RUNS[1][301:])


def test_without_checkpoint_the_whole_journal_is_replayed(
    folder: SurveyFolder, reasons: Callable[[], list[str]]
) -> None:
    """The log gives the reason; a survey without earlier runs needs none."""
    assert_same(Resumed(folder, TEXT).pipeline, Pipeline(station(TEXT)))
    assert reasons() == []
    write_run(folder, RUNS[0])
    assert_same(Resumed(folder, TEXT).pipeline, replay(folder))
    assert reasons() == ["there is none"]


def test_checkpoint_made_with_another_delay_is_not_used(
    folder: SurveyFolder, reasons: Callable[[], list[str]]
) -> None:
    """A delay that the survey measured after it moves every reading of its runs."""
    port = 'port = "ports/gauge"'
    text = TEXT.replace(port, f'{port}\ndelay = "auto"')
    detail = MeasuredDelay(60 * MS, 59 * MS, 61 * MS, 4).as_detail("gauge")
    first = [opened(text), *RUNS[0][1:-1], mark(1450, MarkKind.DELAY, **detail), RUNS[0][-1]]
    write_keeping(folder, text, [first], at=300)
    found = Resumed(folder, text)
    assert reasons() == ["the delay was measured since it was made"]
    assert found.pipeline.delays["gauge"] == 60 * MS
    assert_same(found.pipeline, replay(folder))


def flip(path: Path, at: int) -> None:
    """Change one byte of a file."""
    data = bytearray(path.read_bytes())
    data[at] ^= 0x01
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("change", "file"),
    [
        (lambda paths: flip(paths[0], 2000), "0001"),  # an earlier file
        (lambda paths: flip(paths[0], -1), "0001"),
        (lambda paths: flip(paths[1], 10), "0002"),  # the file that it ends in
        (lambda paths: paths[0].write_bytes(paths[0].read_bytes() + b"x"), "0001"),
        (lambda paths: paths[0].write_bytes(paths[0].read_bytes()[:-1]), "0001"),
        (lambda paths: paths[1].write_bytes(paths[1].read_bytes()[:500]), "0002"),
        (lambda paths: paths[0].with_name("0000.mcap").write_bytes(paths[0].read_bytes()), "0000"),
    ],
)
def test_journal_that_changed_is_replayed_as_a_whole(
    folder: SurveyFolder,
    reasons: Callable[[], list[str]],
    change: Callable[[list[Path]], object],
    file: str,
) -> None:
    """Any byte before the checkpoint's position, and any file more or less."""
    write_keeping(folder, TEXT, RUNS, at=300)
    change(segment_paths(folder.journal))
    found = Resumed(folder, TEXT)
    assert reasons() == [f"file {file}.mcap of the journal has changed since it was made"]
    assert_same(found.pipeline, replay(folder))


def test_what_follows_the_checkpoint_may_be_damaged(
    folder: SurveyFolder, reasons: Callable[[], list[str]]
) -> None:
    """It is read as ever, and what is damaged is reported; what came before is not read again."""
    write_keeping(folder, TEXT, RUNS, at=300)
    first, second = segment_paths(folder.journal)
    second.write_bytes(second.read_bytes()[:-400])
    found = Resumed(folder, TEXT)
    assert reasons() == []
    assert found.torn == [second.name]
    assert_same(found.pipeline, replay(folder))
    assert first.exists()


def test_file_that_is_gone_means_another_journal(
    folder: SurveyFolder, reasons: Callable[[], list[str]]
) -> None:
    """The first run's file was moved away: the state knows more than the journal."""
    write_keeping(folder, TEXT, RUNS, at=300)
    segment_paths(folder.journal)[0].unlink()
    found = Resumed(folder, TEXT)
    assert reasons() == ["file 0001.mcap of the journal has changed since it was made"]
    assert_same(found.pipeline, replay(folder))


def test_damaged_checkpoint_is_not_used(
    folder: SurveyFolder, reasons: Callable[[], list[str]]
) -> None:
    """Truncated, empty or of other bytes: the journal is replayed."""
    write_keeping(folder, TEXT, RUNS, at=300)
    path = checkpoint(folder).path
    assert path is not None
    data = path.read_bytes()
    for wrong in (data[:-1], data[: len(data) // 2], b"", b"x" * 1000):
        path.write_bytes(wrong)
        found = Resumed(folder, TEXT)
        assert_same(found.pipeline, replay(folder))
    assert reasons() == ["it is damaged"] * 4


def observer() -> DelayObserver:
    """Return what collects readings for the delay."""
    axes = station(TEXT)
    return DelayObserver(scan=axes.scan_axis, index=axes.index_axis)


def columns(kept: DelayObserver) -> Iterator[NDArray[np.generic]]:
    """Yield the columns that a delay is estimated from."""
    for rows in (kept._readings, kept._path):
        if not rows.empty:
            yield from rows.columns()


def test_observer_continues_with_what_it_was_shown(
    folder: SurveyFolder, reasons: Callable[[], list[str]]
) -> None:
    """The delay of a device is estimated over runs."""
    write_keeping(folder, TEXT, RUNS, at=300, observer=observer())
    whole = observer()
    replay(folder, observer=whole)
    found = Resumed(folder, TEXT, observer=observer()).resumption.observer
    assert reasons() == []
    assert isinstance(found, DelayObserver)
    for one, other in zip(columns(found), columns(whole), strict=True):
        assert one.tobytes() == other.tobytes()


def test_checkpoint_with_another_observer_is_not_used(
    folder: SurveyFolder, reasons: Callable[[], list[str]]
) -> None:
    """What it was not shown it cannot know."""
    write_keeping(folder, TEXT, RUNS, at=300)
    shown = observer()
    found = Resumed(folder, TEXT, observer=shown)
    assert reasons() == ["it has another observer"]
    assert found.resumption.observer is shown
    assert len(list(columns(shown))) == 6


@pytest.mark.parametrize("name", SURVEYS)
def test_no_two_arrays_of_a_state_share_memory(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy would part them: one would no longer see what is written to the other."""
    text, runs = SURVEYS[name]
    pipeline = Pipeline(station(text))
    for run in runs:
        for entry in run:
            pipeline.feed(entry)
            if entry.time > START + 1000 * MS:
                break
    spans: list[tuple[int, int]] = []

    class Spying(frozen_module.Frozen):
        def __init__(self, pickled: bytes, buffers: Iterable[memoryview], scratch: None) -> None:
            views = list(buffers)
            for view in views:
                if view.nbytes:
                    begin = np.frombuffer(view, np.uint8).ctypes.data
                    spans.append((begin, begin + view.nbytes))
            super().__init__(pickled, views, scratch)

    monkeypatch.setattr(frozen_module, "Frozen", Spying)
    assert frozen_module.freeze(pipeline, most_bytes=1 << 30) is not None
    assert len(spans) > 10
    spans.sort()
    for (_, end), (begin, _) in itertools.pairwise(spans):
        assert end <= begin


_STRETCH = {"begin": None, "end": None, "this_run": False, "line": None, "scan": [3.0, 9.0]}
_DISCARD = mark(1450, MarkKind.DISCARDED, revision=1, **_STRETCH, by="K", because="slip")
_RESTORE = mark(1460, MarkKind.RESTORED, revision=1, by="K", because="it was right")
_WITH_REVISION = (*RUNS[0][:-1], _DISCARD, RUNS[0][-1])
_WITH_RESTORATION = (*RUNS[0][:-1], _DISCARD, _RESTORE, RUNS[0][-1])


@pytest.mark.parametrize(
    ("run", "at", "used"),
    [
        (_WITH_REVISION, 300, False),  # before the mark: it was placed without it
        (_WITH_REVISION, len(_WITH_REVISION) - 1, False),  # after it, and before its effect
        (_WITH_RESTORATION, 300, True),  # what came after it was taken back
        (_WITH_RESTORATION, len(_WITH_RESTORATION) - 2, True),
        (_WITH_RESTORATION, len(_WITH_RESTORATION) - 3, True),
    ],
)
def test_checkpoint_made_without_a_revision_is_not_used(
    folder: SurveyFolder,
    reasons: Callable[[], list[str]],
    run: tuple[Entry, ...],
    at: int,
    used: bool,
) -> None:
    """Readings that were discarded since are in it, wherever it was made; an observer has them too."""
    expected_text = "readings were discarded, moved or restored since it was made"
    observer = DelayObserver(scan=station(TEXT).scan_axis, index=station(TEXT).index_axis)
    write_keeping(folder, TEXT, [run], at=at, observer=observer)
    fresh = DelayObserver(scan=station(TEXT).scan_axis, index=station(TEXT).index_axis)
    found = Resumed(folder, TEXT, observer=fresh)
    assert reasons() == ([] if used else [expected_text])
    assert not found.pipeline.revisions_pending
    assert_same(found.pipeline, replay(folder))
    assert (found.resumption.observer is fresh) is not used
    assert isinstance(found.resumption.observer, DelayObserver)
    assert found.resumption.observer.kept == found.pipeline.readings
