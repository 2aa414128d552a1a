"""Keeping the state: when, how large, and that no failure reaches the run."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from daemon.handmade import station
from daemon.surveys import RUNS, TEXT
from swathe.journal import JournalPosition
from swathe.live import keeping
from swathe.live.keeping import Kept, StateKeeper
from swathe.pipeline import Pipeline
from swathe.store import CheckpointFile, CheckpointUnusableError

POSITION = JournalPosition(1, 8, {})


@pytest.fixture
def pipeline() -> Pipeline:
    """Return a pipeline that has seen a run."""
    made = Pipeline(station(TEXT))
    for entry in RUNS[0]:
        made.feed(entry)
    return made


class Bench:
    """A keeper at a clock that is set by hand."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.now = 10**9
        self.worked = self.step = 0
        patch.setattr("swathe.live.keeping.time.monotonic_ns", lambda: self.now)
        patch.setattr("swathe.live.keeping.time.thread_time_ns", self._work)
        self.file = CheckpointFile(folder, "s", cache=folder / "cache")
        self.keeper = StateKeeper(self.file)

    def _work(self) -> int:
        self.worked += self.step
        return self.worked

    def take(self, pipeline: Pipeline, *, meanwhile: bool = True) -> Kept | None:
        """Return a copy of the state."""
        return self.keeper.take(pipeline, None, POSITION, [], meanwhile=meanwhile)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Return a keeper."""
    return Bench(tmp_path, monkeypatch)


def test_state_is_due_once_a_minute(bench: Bench, pipeline: Pipeline) -> None:
    """Counted from the last copy."""
    assert not bench.keeper.due()
    bench.now += 60 * 10**9 - 1
    assert not bench.keeper.due()
    bench.now += 1
    assert bench.keeper.due()
    assert bench.take(pipeline) is not None
    assert not bench.keeper.due()
    bench.now += 60 * 10**9
    assert bench.keeper.due()


def test_copy_that_took_too_long_is_the_last_one_of_the_scan(
    bench: Bench, pipeline: Pipeline
) -> None:
    """The loop must not be held up again; the end of the run may take its time."""
    bench.step = 20_000_000
    assert bench.take(pipeline) is not None
    bench.now += 10**12
    assert bench.keeper.due()
    bench.step = 20_000_001
    assert bench.take(pipeline) is not None
    bench.now += 10**12
    assert not bench.keeper.due()
    assert bench.take(pipeline, meanwhile=False) is not None


def test_large_state_is_kept_at_the_end_only(
    bench: Bench, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that is larger still is not kept at all."""
    bench.now += 10**12
    monkeypatch.setattr(keeping, "_MOST_BYTES_MEANWHILE", 100)
    assert bench.take(pipeline) is None
    bench.now += 10**12
    assert not bench.keeper.due()
    assert bench.take(pipeline, meanwhile=False) is not None
    monkeypatch.setattr(keeping, "_MOST_BYTES", 100)
    assert bench.take(pipeline, meanwhile=False) is None


def test_listener_of_the_cells_is_not_kept_and_stays(bench: Bench, pipeline: Pipeline) -> None:
    """The page is not part of a survey's state."""
    seen: list[object] = []
    pipeline.changed.listener = listener = seen.append
    kept = bench.take(pipeline)
    assert kept is not None
    assert pipeline.changed.listener is listener
    bench.keeper.save(kept)
    found, _ = bench.file.load().state
    assert found.changed.listener is None


def test_state_that_cannot_be_copied_is_reported_once(
    bench: Bench, pipeline: Pipeline, caplog: pytest.LogCaptureFixture
) -> None:
    """As an outside driver's may be: the run continues, the next one replays its journal."""
    pipeline.changed.listener = listener = lambda _: None
    pipeline.tallies["odd"] = lambda: None  # type: ignore[assignment]
    bench.now += 10**12
    for _ in range(2):
        assert bench.take(pipeline) is None
    assert pipeline.changed.listener is listener
    (record,) = caplog.records
    assert record.levelno == logging.WARNING
    assert record.getMessage().startswith(
        "no checkpoint is kept, resuming replays the whole journal: the state cannot be copied: "
    )
    bench.now += 10**12
    assert not bench.keeper.due()


def test_checkpoint_that_cannot_be_written_is_reported_once(
    bench: Bench,
    pipeline: Pipeline,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A full disk or a folder that is not the user's own ends checkpoints, never the run."""

    def fail(*_: object) -> None:
        message = "cache cannot be written: No space left on device"
        raise CheckpointUnusableError(message)

    monkeypatch.setattr(CheckpointFile, "save", fail)
    kept = bench.take(pipeline)
    assert kept is not None
    for _ in range(2):
        bench.keeper.save(kept)
    assert [record.getMessage() for record in caplog.records] == [
        "no checkpoint is kept, resuming replays the whole journal: "
        "cache cannot be written: No space left on device"
    ]
    bench.now += 10**12
    assert not bench.keeper.due()


def test_memory_of_a_copy_is_used_for_the_next(bench: Bench, pipeline: Pipeline) -> None:
    """Unless it is that of a state which is not copied during the scan."""
    first, second = bench.take(pipeline), bench.take(pipeline)
    assert first is not None
    assert second is not None
    assert first.frozen.memory is second.frozen.memory
