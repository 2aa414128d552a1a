"""Whole surveys on disk, of several runs, and the comparison of two pipelines bit for bit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.handmade import MS, START, UTC, Motion, ended, opened, station_text
from swathe.journal import Entry, JournalWriter, Mark, MarkKind
from swathe.pipeline import Pipeline
from swathe.store import LAYERS, SurveyFolder, record_of, replaying

__all__ = [
    "RUNS",
    "SELDOM",
    "TEXT",
    "assert_same",
    "flat",
    "watch_replays",
    "write_run",
    "write_survey",
]

TEXT = station_text(scan_length=25, survey='cell_rule = "mean"\nnominal_thickness = "12 mm"')
_REBOOT = 5_000_000 * MS
_LATER = 3_600_000 * MS


def _wall(ms: int) -> float | str:
    return "N" if 750 <= ms < 950 else 10.0 + ms / 1000


def _second(entry: Entry) -> Entry:
    """Return an entry of the second run: another boot of the host, an hour later."""
    return entry._replace(time=entry.time - START + _REBOOT)


def _note(ms: int, text: str) -> Mark:
    return Mark(START + ms * MS, MarkKind.NOTE, {"text": text, "by": "crew-1"})


FORWARD = Motion(place=lambda ms: (ms / 100,), wall=_wall, first=0, last=1400)
BACK = Motion(place=lambda ms: (20 - ms / 100,), wall=lambda ms: 11 + ms / 1e4, first=0, last=1500)

SELDOM = replace(FORWARD, tick_ms=200)
"""The same with fewer ticks, for tests in which these cost most."""

RUNS: tuple[tuple[Entry, ...], ...] = (
    (opened(TEXT), _note(-1, "wet"), *FORWARD.entries(), ended(START + 1500 * MS)),
    (
        opened(TEXT, time=_REBOOT - MS, utc=UTC + _LATER),
        *map(_second, [*BACK.entries(), _note(1510, "dry"), ended(START + 1600 * MS)]),
    ),
)
"""Two runs of one survey; the host was started again between them."""


def flat(runs: Iterable[Iterable[Entry]]) -> list[tuple[int, Entry]]:
    """Return every entry with its time in ns UTC."""
    found: list[tuple[int, Entry]] = []
    offset = 0
    for run in runs:
        for entry in run:
            if isinstance(entry, Mark) and entry.kind is MarkKind.OPENED:
                offset = int(entry.detail["utc_ns"]) - entry.time
            found.append((entry.time + offset, entry))
    return found


def write_run(folder: SurveyFolder, entries: Iterable[Entry], *, each: int = 7) -> None:
    """Write a run's journal, a chunk for every `each` entries."""
    with JournalWriter(folder.journal, wall_clock=lambda: UTC) as journal:
        for number, entry in enumerate(entries):
            journal.write(entry)
            if number % each == 0:
                journal.flush()


def write_survey(path: Path, runs: Iterable[Iterable[Entry]] = RUNS) -> SurveyFolder:
    """Write a survey's journal and return the survey."""
    folder = SurveyFolder(path)
    for run in runs:
        write_run(folder, run)
    return folder


def watch_replays(patch: pytest.MonkeyPatch, on_block: Callable[[Sequence[Entry]], object]) -> None:
    """Call `on_block` with the entries of each block that a replay is about to collect."""
    collect = replaying._collect

    def watched(pipeline: Pipeline, entries: list[Entry], until: int | None) -> bool:
        on_block(entries)
        return collect(pipeline, entries, until)

    patch.setattr(replaying, "_collect", watched)


def assert_same(found: Pipeline, expected: Pipeline) -> None:
    """Compare record, arrays and what a run would continue with; floats bit for bit."""
    assert record_of(found) == record_of(expected)
    rows, columns = slice(0, expected.grid.shape[0]), slice(0, expected.grid.shape[1])
    assert found.grid.channel_names == expected.grid.channel_names
    for name in (*LAYERS, *expected.grid.channel_names):
        one, other = (pipeline.grid.layer(name, rows, columns) for pipeline in (found, expected))
        assert one.dtype == other.dtype
        assert one.tobytes() == other.tobytes(), name
    assert (found.grid.waveform is None) == (expected.grid.waveform is None)
    if found.grid.waveform is not None and expected.grid.waveform is not None:
        assert found.grid.waveform.tobytes() == expected.grid.waveform.tobytes()
    for name in ("time", "utc_offset", "line", "position", "last_sample_times", "status", "runs"):
        assert getattr(found, name) == getattr(expected, name), name
