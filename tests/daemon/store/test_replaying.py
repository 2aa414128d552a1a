"""Replays: whole, up to a time, with progress, and stopped."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.handmade import UTC, station
from daemon.surveys import RUNS, TEXT, assert_same, flat, write_run, write_survey
from swathe.errors import SurveyError
from swathe.journal import JournalCursor, JournalWriter, Mark, MarkKind, Tick
from swathe.pipeline import Pipeline
from swathe.store import SurveyFolder, feed_journal, replay

ENTRIES = flat(RUNS)


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return a survey of two runs."""
    return write_survey(tmp_path_factory.mktemp("replay") / "survey")


@pytest.mark.slow
@given(st.integers(0, len(ENTRIES) - 1), st.sampled_from([-1, 0, 1]))
@settings(max_examples=12, deadline=None)
def test_replay_until_a_time_equals_that_of_a_journal_cut_there(
    survey: SurveyFolder, at: int, off: int
) -> None:
    """The first entry later than that, and whatever follows it, is left out, in any run."""
    until = max(ENTRIES[at][0] + off, UTC)
    count = next((k for k, (time, _) in enumerate(ENTRIES) if time > until), len(ENTRIES))
    pipeline = Pipeline(station(TEXT))
    for _, entry in ENTRIES[:count]:
        pipeline.feed(entry)
    pipeline.advance()  # a replay computes all that was received, also what no tick follows
    assert_same(replay(survey, until=until), pipeline)


def test_replay_until_before_the_first_run_is_refused(survey: SurveyFolder) -> None:
    """There is nothing to return; with the opening mark there is."""
    with pytest.raises(SurveyError, match="its first run began after the time given by 'until'"):
        replay(survey, until=UTC - 1)
    assert replay(survey, until=UTC).status == "scanning"


def test_replay_leaves_out_what_comes_before_the_first_opening_mark(tmp_path: Path) -> None:
    """A crash may have cost the chunk with the mark of an earlier run."""
    folder = SurveyFolder(tmp_path / "survey")
    write_run(folder, [Tick(1), Tick(2)])
    with pytest.raises(SurveyError, match="was cut off before it held a station file"):
        replay(folder)
    write_run(folder, RUNS[0])
    whole = write_survey(tmp_path / "whole", RUNS[:1])
    assert_same(replay(folder), replay(whole))


def test_replay_reports_the_share_of_bytes_that_is_done(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It rises, within each file and from file to file, and never passes the whole."""
    monkeypatch.setattr("swathe.store.replaying._BATCH_BYTES", 1000)
    shares: list[float] = []
    replay(survey, on_progress=shares.append)
    assert shares == sorted(shares)
    assert len(shares) > 20
    assert 0 < shares[0] < 0.1
    assert 0.9 < shares[-1] <= 1.0


def test_feeding_that_is_stopped_resumes_where_it_was(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cursor is behind what was fed: nothing is fed twice or left out."""
    monkeypatch.setattr("swathe.store.replaying._BATCH_BYTES", 1000)
    pipeline, cursor = Pipeline(station(TEXT)), JournalCursor(survey.journal)
    positions = []
    while cursor.position not in positions:
        positions.append(cursor.position)
        feed_journal(pipeline, cursor, stop=lambda: True)
    assert len(positions) > 20
    assert_same(pipeline, replay(survey))


def test_feeding_continues_with_what_was_appended(tmp_path: Path) -> None:
    """A pipeline follows a journal that is being written."""
    folder, expected = SurveyFolder(tmp_path / "survey"), Pipeline(station(TEXT))
    pipeline = Pipeline(station(TEXT))
    with JournalWriter(folder.journal) as journal:
        cursor = JournalCursor(folder.journal, growing=True)
        for entry in RUNS[0]:
            journal.write(entry)
            expected.feed(entry)
            if isinstance(entry, Mark) and entry.kind is not MarkKind.OPENED:
                journal.flush()
                feed_journal(pipeline, cursor)
                assert_same(pipeline, expected)
