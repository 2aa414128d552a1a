"""Which sync the journal makes, of what, and when: what a power cut must not undo."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from support.syncs import record_syncs
from swathe.errors import JournalError
from swathe.journal import Chunk, JournalWriter, Tick, read_segment

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a folder cannot be synced there")

ENTRY = Chunk(1, "gauge", b"R,1,2.5\r\n")


def test_open_syncs_the_folder_that_has_the_new_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name of a new file survives a power cut: the folder is synced when it has it."""
    folder = tmp_path / "journal"
    folder.mkdir()
    syncs = record_syncs(monkeypatch, folder)
    with JournalWriter(folder) as writer:
        writer.write(ENTRY)
        assert syncs == []
        writer.flush()
        file, sync = syncs
        assert file.of(writer.path)
        assert (file.call, file.size) == ("fdatasync", writer.path.stat().st_size)
        assert sync.of(folder)
        assert (sync.call, sync.names) == ("fsync", ("0001.mcap",))
        assert list(read_segment(writer.path)) == [ENTRY]


def test_sync_is_of_everything_that_was_flushed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file has the entries when it is synced, not only its name or its first bytes."""
    with JournalWriter(tmp_path) as writer:
        writer.write(ENTRY)
        writer.flush()
        syncs = record_syncs(monkeypatch, tmp_path)
        writer.write(ENTRY)
        writer.flush()
        assert syncs == []  # a flush is for a kill of the process and waits for no disk
        before = writer.path.stat().st_size
        writer.sync()
        (sync,) = syncs
        assert (sync.call, sync.size) == ("fdatasync", before)
        assert sync.of(writer.path)
        assert list(read_segment(writer.path)) == [ENTRY, ENTRY]
        writer.sync()
        assert len(syncs) == 2


def test_close_syncs_the_file_with_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Closing syncs the whole file, entries that were not flushed and footer included."""
    with JournalWriter(tmp_path) as writer:
        writer.write(ENTRY)
        writer.flush()
        writer.write(ENTRY)
        syncs = record_syncs(monkeypatch, tmp_path)
    (sync,) = syncs
    assert sync.of(writer.path)
    assert (sync.call, sync.size) == ("fsync", writer.path.stat().st_size)
    torn: list[str] = []
    assert list(read_segment(writer.path, on_torn=lambda _, m: torn.append(m))) == [ENTRY] * 2
    assert torn == []
    writer.close()
    assert len(syncs) == 1


def test_next_file_begins_when_the_last_one_is_synced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A long run closes its file for good before the next one exists."""
    with JournalWriter(tmp_path, max_chunks=2) as writer:
        first = writer.path
        writer.write(ENTRY)
        writer.flush()
        syncs = record_syncs(monkeypatch, tmp_path)
        writer.write(Tick(2))
        writer.flush()
        closed, whole, begun = syncs
        assert whole.of(writer.path)
        assert closed.of(first)
        assert (closed.call, closed.size) == ("fsync", first.stat().st_size)
        assert begun.of(tmp_path)
        assert begun.names == ("0001.mcap", "0002.mcap")
        assert writer.path.name == "0002.mcap"


def test_next_run_syncs_what_a_killed_one_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before a run takes the digest of the last file and follows it, that file is on the disk."""
    killed = JournalWriter(tmp_path)
    killed.__enter__()
    killed.write(ENTRY)
    killed.flush()
    killed.write(ENTRY)
    killed.flush()  # handed to the system: a kill leaves it, and nothing has synced it
    syncs = record_syncs(monkeypatch, tmp_path)
    with JournalWriter(tmp_path) as writer:
        file, folder = syncs
        assert file.of(killed.path)
        assert (file.call, file.size) == ("fsync", killed.path.stat().st_size)
        assert folder.of(tmp_path)
        assert folder.names == ("0001.mcap",)
        writer.write(ENTRY)
        writer.flush()
    monkeypatch.undo()
    killed.close()


def test_next_run_on_a_disk_that_does_not_take_the_last_one_is_a_journal_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is journalled after a file that may not be on the disk."""
    with JournalWriter(tmp_path) as writer:
        writer.write(ENTRY)

    def fail(_descriptor: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(JournalError, match="cannot be written: Input/output error"):
        JournalWriter(tmp_path).__enter__()
    assert [path.name for path in tmp_path.iterdir()] == ["0001.mcap"]


@pytest.mark.parametrize("call", ["fdatasync", "fsync"])
def test_disk_that_fails_to_sync_is_a_journal_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """An error of the disk is reported with the path, by a sync as by a close."""
    writer = JournalWriter(tmp_path)
    writer.__enter__()
    writer.write(ENTRY)
    writer.flush()

    def fail(_descriptor: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, call, fail)
    with pytest.raises(JournalError, match=r"0001\.mcap: cannot be written: Input/output error"):
        writer.sync() if call == "fdatasync" else writer.close()
    monkeypatch.undo()
    writer.close()


def test_sync_of_a_closed_writer_does_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sync that comes late, from another thread, meets a closed file and leaves it."""
    with JournalWriter(tmp_path) as writer:
        writer.write(ENTRY)
    syncs = record_syncs(monkeypatch, tmp_path)
    writer.sync()
    JournalWriter(tmp_path).sync()
    assert syncs == []
