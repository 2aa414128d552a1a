"""The marks of a journal, read without the rest of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.journal import (
    Chunk,
    Entry,
    JournalWriter,
    Mark,
    MarkKind,
    Tick,
    read_journal,
    read_marks,
    segment_paths,
)
from swathe.journal.decoder import EntryDecoder

WANTED = (MarkKind.OPENED, MarkKind.DELAY)
TRAP = b'{"kind": "delay measured", "detail": {"device": "gauge"}}'


def write(folder: Path, runs: list[list[Entry]]) -> None:
    """Write runs, each block of which holds a few entries."""
    for run in runs:
        with JournalWriter(folder, max_chunks=20) as journal:
            for number, entry in enumerate(run):
                journal.write(entry)
                if number % 3 == 0:
                    journal.flush()


def run(begin: int) -> list[Entry]:
    """Return a run with marks of several kinds, and a device that sends what looks like one."""
    entries: list[Entry] = [Mark(begin, MarkKind.OPENED, {"utc_ns": 0})]
    for number in range(begin + 1, begin + 100):
        entries += [Chunk(number, "gauge", TRAP), Tick(number)]
        if number % 7 == 0:
            entries.append(Mark(number, MarkKind.DELAY, {"device": "gauge", "delay_ns": number}))
        if number % 5 == 0:
            entries.append(Mark(number, MarkKind.NOTE, {"text": "delay measured", "by": "crew-1"}))
    return entries


def test_marks_are_those_of_the_whole_journal(tmp_path: Path) -> None:
    """Of every file, in order; what a device sends is no mark, whatever it looks like."""
    write(tmp_path, [run(0), run(1000)])
    assert len(segment_paths(tmp_path)) > 4
    expected = [
        entry
        for entry in read_journal(tmp_path)
        if isinstance(entry, Mark) and entry.kind in WANTED
    ]
    assert list(read_marks(tmp_path, WANTED)) == expected
    assert len(expected) == 2 + 14 + 15
    measured = [mark for mark in expected if mark.kind is MarkKind.DELAY]
    assert list(read_marks(tmp_path, (MarkKind.DELAY,))) == measured


def test_blocks_without_such_a_mark_are_not_decoded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That is what makes it fast."""
    bytes_only: list[Entry] = [Chunk(number, "gauge", b"x" * 50) for number in range(300)]
    write(tmp_path, [[Mark(0, MarkKind.OPENED, {}), *bytes_only]])
    decoded = []
    decode = EntryDecoder.decode

    def watched(self: EntryDecoder, block: bytes) -> list[Entry]:
        decoded.append(block)
        return decode(self, block)

    monkeypatch.setattr(EntryDecoder, "decode", watched)
    assert [mark.kind for mark in read_marks(tmp_path, WANTED)] == [MarkKind.OPENED]
    assert len(decoded) <= len(segment_paths(tmp_path))


def test_marks_of_a_journal_that_is_cut_off_or_damaged(tmp_path: Path) -> None:
    """Those of whole blocks count; a file without a first byte holds none."""
    write(tmp_path, [run(0)])
    first = segment_paths(tmp_path)[0]
    first.write_bytes(first.read_bytes()[:-300])
    (tmp_path / "0099.mcap").write_bytes(b"")
    expected = [
        entry
        for entry in read_journal(tmp_path)
        if isinstance(entry, Mark) and entry.kind in WANTED
    ]
    assert list(read_marks(tmp_path, WANTED)) == expected
