"""A survey of many runs: what the start of another one reads grows with their number, not faster."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.handmade import MS, START, UTC, ended, opened, station_text
from daemon.surveys import write_run
from swathe.journal import segments
from swathe.live.continuing import continuation
from swathe.safe_files import SafeFolder
from swathe.station import load, parse_station
from swathe.store import SurveyFolder, changes_since

AWAY = 60_000 * MS
TEXT = station_text()


@pytest.mark.parametrize("runs", [10, 30])
def test_start_of_a_run_reads_each_opening_once(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, runs: int
) -> None:
    """Each file is opened once, and each station file read hardly more often, however often they are asked for."""
    folder = SurveyFolder(tmp_path)
    for number in range(runs):
        text = f"{TEXT}\n# {runs} {number}"
        begin = START + number * AWAY
        entries = [opened(text, time=begin, utc=UTC + number * AWAY), ended(begin + MS)]
        write_run(folder, entries)
    files: list[str] = []
    openings = SafeFolder.open

    def open_counted(self: SafeFolder, name: str) -> object:
        files.append(name)
        return openings(self, name)

    monkeypatch.setattr(SafeFolder, "open", open_counted)
    segments._segment_of.cache_clear()  # a process that begins knows none of them
    before = load._in_journal.cache_info()
    station = parse_station(TEXT, "bench.toml")
    assert folder.begun
    assert changes_since(folder, station) == []
    continuation(folder, station, "scan", "")
    after = load._in_journal.cache_info()
    assert sorted(files) == [f"{number:04d}.mcap" for number in range(1, runs + 1)]
    assert after.misses - before.misses <= runs + 3
    assert after.hits - before.hits <= runs + 3
