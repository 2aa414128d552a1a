"""A file on a disk that is full, fails, hangs or forgets: nothing that was given is lost while it lasts."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from swathe.journal import steady_file
from swathe.journal.steady_file import SteadyFile, disk_words

S = 1_000_000_000


class Disk:
    """A disk under a real file, whose faults a test sets.

    A sync that fails forgets what was not synced, as Linux may: those bytes become zeros.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.room = 1 << 30
        self.error: OSError | None = None
        self.sync_error: OSError | None = None
        self.gate = threading.Event()
        self.gate.set()
        self.write_gate = threading.Event()
        self.write_gate.set()
        self.synced = 0
        self.now = 0
        self.file = SteadyFile(path.open("xb", buffering=0), clock=lambda: self.now)

    def write_at(self, stream: object, data: bytes, offset: int) -> int:
        """Write a part or all of it, hang or fail."""
        assert self.write_gate.wait(60)
        if self.error is not None:
            raise self.error
        part = data[: max(0, self.room - offset)]
        if not part:
            raise OSError(errno.ENOSPC, "No space left on device")
        return os.pwrite(stream.fileno(), part, offset)  # type: ignore[attr-defined]

    def sync(self, stream: object) -> None:
        """Sync, hang or fail."""
        size = os.fstat(stream.fileno()).st_size  # type: ignore[attr-defined]
        assert self.gate.wait(60)
        if self.sync_error is not None:
            os.pwrite(stream.fileno(), bytes(size - self.synced), self.synced)  # type: ignore[attr-defined]
            raise self.sync_error
        self.synced = size

    @property
    def contents(self) -> bytes:
        """What another process reads."""
        return self.path.read_bytes()

    def give(self, data: bytes) -> None:
        """Write and flush."""
        self.file.write(data)
        self.file.flush()


@pytest.fixture
def disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Disk]:
    """Return a disk without a fault."""
    made = Disk(tmp_path / "file")
    monkeypatch.setattr(steady_file, "_write_at", made.write_at)
    monkeypatch.setattr(steady_file, "_sync", made.sync)
    yield made
    made.room, made.error, made.sync_error = 1 << 30, None, None
    made.gate.set()
    made.write_gate.set()
    made.file.close()


def test_flush_is_in_the_file_at_once_and_sync_on_the_disk(disk: Disk) -> None:
    """As a plain file would; `tell` counts what is still to be flushed."""
    disk.file.write(b"ab")
    assert disk.contents == b""
    assert disk.file.tell() == disk.file.waiting == 2
    disk.file.flush()
    assert disk.contents == b"ab"
    assert disk.file.waiting == 2
    assert disk.file.sync()
    assert disk.file.waiting == 0
    assert disk.file.waiting_since is None
    assert disk.synced == 2


def test_full_disk_keeps_what_it_refuses_and_tears_nothing(disk: Disk) -> None:
    """What fits is written; the rest follows at its place once there is room, without an exception."""
    disk.room, disk.now = 5, 7 * S
    disk.give(b"0123456789")
    assert disk.contents == b"01234"
    trouble = disk.file.trouble
    assert trouble is not None
    assert trouble.full
    assert trouble.since == 7 * S
    assert trouble.text == "No space left on device; make room"
    disk.now = 8 * S
    disk.give(b"abc")
    assert not disk.file.sync()
    assert disk.file.trouble is not None
    assert disk.file.trouble.since == 7 * S
    assert disk.file.unwritten == 8
    disk.room = 1000
    assert disk.file.sync()
    assert disk.file.trouble is None
    assert disk.contents == b"0123456789abc"
    disk.give(b"!")
    assert disk.contents == b"0123456789abc!"


def test_failed_sync_writes_again_what_the_system_may_have_dropped(disk: Disk) -> None:
    """The sync after a failed one is no evidence for pages that were written before it."""
    disk.give(b"good")
    assert disk.file.sync()
    disk.give(b"doubtful")
    disk.sync_error = OSError(errno.EIO, "Input/output error")
    assert not disk.file.sync()
    assert disk.contents == b"good" + bytes(8)
    assert disk.file.trouble is not None
    assert not disk.file.trouble.full
    disk.give(b"later")
    disk.sync_error = None
    assert disk.file.sync()
    assert disk.contents == b"gooddoubtfullater"


def test_sync_that_hangs_holds_no_flush_up(disk: Disk) -> None:
    """Its age is known; what is flushed meanwhile is written by a thread, which a disk may hold up."""
    disk.now = S
    disk.give(b"a")
    disk.gate.clear()
    thread = threading.Thread(target=disk.file.sync)
    thread.start()
    while disk.file._syncing_since is None:
        thread.join(0.001)
    disk.give(b"b")
    assert disk.contents == b"ab"
    disk.now = 4 * S
    disk.give(b"c")
    while disk.contents != b"abc" or disk.file._lock.locked():  # until its thread has done, too
        thread.join(0.001)
    disk.write_gate.clear()
    before = set(threading.enumerate())
    for _ in range(3):
        disk.give(b"d")
        while not disk.file._lock.locked():
            thread.join(0.001)
    # No more than one waits for the disk; threads of other tests may end meanwhile.
    assert len(set(threading.enumerate()) - before) == 1
    assert disk.contents == b"abc"
    assert disk.file.unwritten == 3
    assert disk.file.waiting_since == S
    disk.write_gate.set()
    disk.gate.set()
    thread.join()
    assert disk.file.waiting_since == S  # flushed during that sync: it may not have had it
    assert disk.file.sync()
    assert disk.contents == b"abcddd"
    assert disk.file.waiting_since is None


def test_close_raises_what_the_disk_refuses_and_closes(disk: Disk) -> None:
    """Whoever closes is the last one who could keep it."""
    disk.give(b"ab")
    disk.error = OSError(errno.EROFS, "Read-only file system")
    disk.file.write(b"cd")
    with pytest.raises(OSError, match="Read-only"):
        disk.file.close()
    assert disk.file.waiting == 4
    assert not disk.file.sync()


@pytest.mark.parametrize("seed", range(40))
def test_any_order_of_faults_ends_with_every_byte_in_its_place(disk: Disk, seed: int) -> None:
    """Full, failing and back again at random: synced bytes stay, and the end is what was given."""
    random = np.random.default_rng(seed)
    given, safe = b"", 0
    for step in range(60):
        disk.now += S // 10
        match random.integers(7):
            case 0:
                disk.room = len(given) + int(random.integers(40))
            case 1:
                disk.error = OSError(errno.EIO, "Input/output error")
            case 2:
                disk.sync_error = OSError(errno.EIO, "Input/output error")
            case 3:
                disk.room, disk.error, disk.sync_error = 1 << 30, None, None
            case 4:
                if disk.file.sync():
                    safe = len(given)
            case _:
                part = random.bytes(int(random.integers(1, 30)))
                given += part
                disk.give(part)
        assert disk.contents[:safe] == given[:safe], step
        assert disk.file.tell() == len(given)
        assert disk.file.waiting >= len(given) - disk.synced
    disk.room, disk.error, disk.sync_error = 1 << 30, None, None
    assert disk.file.sync()
    assert disk.contents == given


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "make room"),
        (errno.EDQUOT, "make room"),
        (errno.EFBIG, "make room"),
        (errno.EIO, "the disk or its connection fails"),
        (errno.EROFS, "the file system is read-only"),
        (errno.EACCES, "this user may not write there"),
        (errno.ESTALE, "see to the disk"),
    ],
)
def test_words_fit_the_error(number: int, words: str) -> None:
    """Only room is asked for where room is missing."""
    text = disk_words(OSError(number, os.strerror(number)))
    assert text.startswith(f"{os.strerror(number)}; ")
    assert words in text
    assert ("make room" in text) == (words == "make room")
