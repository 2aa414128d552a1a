"""Digests of a journal's files, by the writer that made them and by whoever reads them."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from swathe.errors import MisuseError
from swathe.journal import (
    Chunk,
    JournalCursor,
    JournalWriter,
    SegmentDigest,
    Tick,
    segment_digests,
    segment_paths,
)


@pytest.mark.parametrize("size", [0, 1, 7, 1 << 20, (1 << 20) + 5, 3 << 20])
def test_digest_of_the_first_bytes_and_of_all(tmp_path: Path, size: int) -> None:
    """Both are of the bytes themselves, across the blocks in which a file is read."""
    data = bytes(range(256)) * (3 << 12)
    path = tmp_path / "0007.mcap"
    path.write_bytes(data)
    assert len(data) == 3 << 20
    first, whole = segment_digests(path, size)
    assert first == SegmentDigest(7, size, hashlib.sha256(data[:size]).hexdigest())
    assert whole == SegmentDigest(7, len(data), hashlib.sha256(data).hexdigest())
    assert segment_digests(path) == (whole, whole)


def test_digest_of_more_bytes_than_there_are(tmp_path: Path) -> None:
    """It is of fewer bytes, and so differs from the one expected."""
    path = tmp_path / "0001.mcap"
    path.write_bytes(b"abc")
    first, whole = segment_digests(path, 4)
    assert first == whole
    assert first.size == 3


def test_writer_knows_digest_and_position_of_what_it_flushed(tmp_path: Path) -> None:
    """At each flush they are those of the files on disk, across files, and a cursor resumes there."""
    with JournalWriter(tmp_path, max_chunks=3) as writer:
        for number in range(8):
            writer.write(Chunk(number, f"gauge-{number % 2}", b"line"))
            writer.flush()
            writer.write(Tick(number))
            writer.flush()
            on_disk = [segment_digests(path)[1] for path in segment_paths(tmp_path)]
            assert writer.digests() == on_disk
            position = writer.position()
            assert (position.segment, position.offset) == on_disk[-1][:2]
            cursor = JournalCursor(tmp_path, growing=True)
            assert list(cursor.blocks())
            if position.chunk:  # a file that has just begun is not read yet
                assert cursor.position == position
    assert writer.digests() == [segment_digests(path)[1] for path in segment_paths(tmp_path)]
    with pytest.raises(MisuseError, match="not open"):
        writer.position()


def test_cursor_ends_before_a_file(tmp_path: Path) -> None:
    """Files from that number on are another run's."""
    for number in range(3):
        with JournalWriter(tmp_path) as writer:
            writer.write(Tick(number))
    cursor = JournalCursor(tmp_path, before=3)
    assert [entry for block in cursor.blocks() for entry in block] == [Tick(0), Tick(1)]
    assert cursor.position.segment == 2
