"""Times of a survey never run back from one run to the next, whatever the computer's clock was set to."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.handmade import station_text
from swathe.journal import MarkKind, Tick
from swathe.live import continuing
from swathe.live.continuing import begin_time
from swathe.live.session import Session
from swathe.station import parse_station
from swathe.store import SurveyFolder, last_entry_time

TEXT = station_text()
S = 1_000_000_000
DAY = 86_400 * S


def run(path: Path, clock: int, seconds: int) -> tuple[int, int, str]:
    """Make a run of so many seconds by a clock, ns UTC; return the time it states, its clock, the alarm."""
    host = [5 * S]
    station = parse_station(TEXT, "bench.toml")
    session = Session(
        SurveyFolder(path), station, TEXT, clock=lambda: host[0], wall_clock=lambda: clock
    )
    with session:
        session.resume()
        host[0] += seconds * S
        session.enter(Tick(host[0]))
        session.mark(MarkKind.NOTE, text="x", by="crew")
        session.flush(sync=False)
        assert session.clock_watch is not None
        text = session.clock_watch.not_set()
        stated = session.pipeline.opened
    *_, opening = SurveyFolder(path).openings()
    assert opening.detail["utc_ns"] == stated
    return stated, opening.detail["clock_ns"], text


def test_run_whose_clock_is_behind_counts_on_from_the_end_of_the_run_before(tmp_path: Path) -> None:
    """A day back, and then 1970; a check that fails finds what was read after the last that passed."""
    path, now = tmp_path / "survey", time.time_ns()
    assert run(path, now, 100)[:2] == (now, now)
    back, clock, text = run(path, now - DAY, 50)
    assert clock == now - DAY
    assert 0 < back - (now + 100 * S) <= 2000  # the end of the first, to the microsecond
    none, clock, text = run(path, 12 * S, 10)
    assert clock == 12 * S
    assert 0 < none - (back + 50 * S) <= 2000
    assert "clock said 1970-01-01 00:00:12 UTC as the run began, before Swathe existed" in text
    assert "its times count on from " in text
    # By the same wrong clock a little later, which is after its own file was written.
    again, clock, _ = run(path, 500 * S, 10)
    assert 0 < again - (none + 10 * S) <= 2000
    later = now + DAY
    assert run(path, later, 1) == (later, later, "")


def test_clock_that_is_ahead_of_all_reads_no_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a rule a run begins at once; a long file takes seconds to read to its end."""
    folder = SurveyFolder(tmp_path / "survey")
    now = time.time_ns()
    assert begin_time(folder, 7) == 7
    run(folder.path, now, 1)
    ends: list[SurveyFolder] = []
    monkeypatch.setattr(continuing, "last_entry_time", ends.append)
    assert begin_time(folder, now + 60 * S) == now + 60 * S
    assert ends == []
    assert begin_time(folder, now - 60 * S) == now  # nothing can be read but the opening
    assert ends == [folder]


def test_clock_set_back_within_the_length_of_the_last_run_is_noticed(tmp_path: Path) -> None:
    """It is after the beginning of that run, and before its last entry."""
    folder = SurveyFolder(tmp_path / "survey")
    now = time.time_ns()
    run(folder.path, now - 100 * S, 90)
    found = begin_time(folder, now - 50 * S)
    end = last_entry_time(folder)
    assert end is not None
    assert 0 < found / S - end.timestamp() < 1e-3
    assert end > datetime.fromtimestamp(now / S - 50, UTC)


def test_clock_that_is_right_again_may_be_behind_what_was_counted_on(tmp_path: Path) -> None:
    """A long run counted on from the end of the one before: its end is ahead of the right clock."""
    folder = SurveyFolder(tmp_path / "survey")
    now = time.time_ns()
    run(folder.path, now, 100)
    back, _, _ = run(folder.path, now - DAY, 50_000)
    assert begin_time(folder, now + 1000 * S) > back + 50_000 * S
