"""Reading on from a position: of a journal at rest, and of one that is being written."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.journal import (
    Chunk,
    Entry,
    JournalCursor,
    JournalPosition,
    JournalWriter,
    Mark,
    MarkKind,
    Tick,
    read_journal,
    segment_paths,
)


def entries_of(cursor: JournalCursor) -> list[Entry]:
    """Return what a cursor reads now."""
    return [entry for block in cursor.blocks() for entry in block]


def some(number: int) -> list[Entry]:
    """Return entries that need channels which the file named before."""
    return [Chunk(number, "gauge", b"%d" % number), Tick(number)]


def test_cursor_resumes_at_each_of_its_positions(tmp_path: Path) -> None:
    """From there on it yields what follows, across files, with the channels known so far."""
    for run in range(2):
        with JournalWriter(tmp_path) as writer:
            for number in range(3):
                for entry in some(10 * run + number):
                    writer.write(entry)
                writer.flush()
    everything = list(read_journal(tmp_path))
    cursor = JournalCursor(tmp_path)
    seen: list[Entry] = []
    positions: list[JournalPosition] = []
    for block in cursor.blocks():
        seen += block
        positions.append(cursor.position)
        rest = entries_of(JournalCursor(tmp_path, start=cursor.position))
        assert seen + rest == everything
    assert seen == everything
    assert len(set(map(str, positions))) == len(positions)
    assert entries_of(cursor) == []


def test_cursor_reads_what_was_appended_since(tmp_path: Path) -> None:
    """Of a file that is being written its whole chunks, and its next file; no end is reported."""
    reports: list[str] = []
    with JournalWriter(tmp_path, max_chunks=3) as writer:
        cursor = JournalCursor(tmp_path, growing=True, on_torn=lambda _, text: reports.append(text))
        for number in range(8):
            for entry in some(number):
                writer.write(entry)
            assert entries_of(cursor) == []
            writer.flush()
            assert entries_of(cursor) == some(number)
    assert len(segment_paths(tmp_path)) == 3
    assert reports == []


def test_cursor_waits_for_the_rest_of_a_chunk_that_is_being_written(tmp_path: Path) -> None:
    """At whatever byte the file ends for now, nothing is reported and nothing is read twice."""
    with JournalWriter(tmp_path / "whole") as writer:
        for number in range(2):
            for entry in some(number):
                writer.write(entry)
            writer.flush()
    data = writer.path.read_bytes()
    growing = tmp_path / "growing" / "0001.mcap"
    growing.parent.mkdir()
    reports: list[str] = []
    cursor = JournalCursor(
        growing.parent, growing=True, on_torn=lambda _, text: reports.append(text)
    )
    found: list[Entry] = []
    for size in range(len(data) + 1):
        growing.write_bytes(data[:size])
        found += entries_of(cursor)
    assert found == [*some(0), *some(1)]
    assert reports == []


def test_cursor_reports_an_earlier_file_that_was_cut_off(tmp_path: Path) -> None:
    """Only the last file is being written; the end of one before it was a crash."""
    sizes = []
    for number in range(2):
        with JournalWriter(tmp_path) as writer:
            writer.write(Tick(number))
            writer.flush()
            sizes.append(writer.path.stat().st_size)
        if not number:
            writer.path.write_bytes(writer.path.read_bytes()[: sizes[0] - 1])
    first, last = segment_paths(tmp_path)
    last.write_bytes(last.read_bytes()[: sizes[1]])
    reports: list[Path] = []
    cursor = JournalCursor(tmp_path, growing=True, on_torn=lambda path, _: reports.append(path))
    assert entries_of(cursor) == [Tick(1)]
    assert entries_of(cursor) == []
    assert reports == [first]


def test_mark_of_a_later_version_is_reported_with_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing else of the file is lost."""
    with JournalWriter(tmp_path) as writer:
        writer.write(Tick(1))
        writer.write(Mark(2, MarkKind.NOTE, {"text": "x"}))
        writer.write(Tick(3))
    monkeypatch.setattr("swathe.journal.decoder._MARKS", frozenset())
    reports: list[tuple[Path, str]] = []
    found = list(read_journal(tmp_path, on_torn=lambda *report: reports.append(report)))
    assert found == [Tick(1), Tick(3)]
    assert reports == [(writer.path, "marks 'note' are of a later version and are left out")]
