"""A file that loses nothing of what it was given while the disk takes nothing: it keeps it in memory.

A write that fails is no exception here but a trouble, which lasts until a later attempt succeeds. Bytes
are written at their own offsets, so that a part that was written before the disk was full, or a page
that the system could not sync, is written again: the file is at each time the beginning of what
it was given, at most with a torn end.

After a sync that failed the system may have dropped the pages and report the next sync as done (Linux
does so; P. A. Rebello et al., "Can applications recover from fsync failures?", USENIX ATC 2020). So all
that was given since the last good sync is kept and written again before the next one.
"""

from __future__ import annotations

import errno
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO

__all__ = ["DiskTrouble", "SteadyFile", "disk_words"]

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
# A sync that takes longer than this may hold up a write to the same file, too: a thread writes then.
_SLOW_SYNC_NS = 500_000_000


@dataclass(frozen=True, slots=True)
class DiskTrouble:
    """What the disk refuses.

    Attributes:
        full: there is no room, by the disk, a quota or a limit of this process.
        text: what the system says, and what to do.
        since: host time of the first refusal, ns.
    """

    full: bool
    text: str
    since: int


def disk_words(error: OSError) -> str:
    """Return what the system says of a write that failed, and the remedy that fits it."""
    what = error.strerror or str(error) or type(error).__name__
    match error.errno:
        case number if number in _FULL:
            remedy = "make room"
        case errno.EROFS:
            remedy = "the file system is read-only: see why, and mount it for writing"
        case errno.EIO:
            remedy = "the disk or its connection fails: see to them, keep a copy of the survey"
        case errno.EACCES | errno.EPERM:
            remedy = "this user may not write there: change the owner or mode"
        case _:
            remedy = "see to the disk"
    return f"{what}; {remedy}"


class SteadyFile:
    """A new file, written from its start; what was not synced yet is kept in memory.

    `write`, `flush` and `tell` are for one thread, `sync` for others. A flush during a sync that takes long
    leaves the writing to a thread of its own, so that a kill does not cost what a slow disk has not synced.

    Args:
        stream: open for writing, unbuffered and empty; closed by `close`.
        clock: host's monotonic clock, ns.

    Attributes:
        trouble: what the disk refuses now; None while it takes what it is given.
    """

    def __init__(self, stream: BinaryIO, *, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self._stream = stream
        self._clock = clock
        self._lock = threading.Lock()  # held while bytes are written
        self._sync_lock = threading.Lock()
        self._buffer: list[bytes] = []
        self._buffered = 0
        self._kept: deque[tuple[int, bytes, int]] = deque()  # offset, bytes, host time of the flush
        self._given = self._written = self._synced = 0
        self._syncing_since: int | None = None
        self.trouble: DiskTrouble | None = None

    def write(self, data: bytes) -> int:
        """Take bytes; `flush` hands them over."""
        self._buffer.append(bytes(data))
        self._buffered += len(data)
        return len(data)

    def tell(self) -> int:
        """Return how many bytes were taken."""
        return self._given + self._buffered

    def flush(self) -> None:
        """Hand what was taken to the operating system, if it takes it without waiting."""
        if self._buffer:
            data = b"".join(self._buffer)
            self._kept.append((self._given, data, self._clock()))
            self._given += len(data)
            self._buffer, self._buffered = [], 0
        if self.trouble is not None:
            return  # the thread that syncs tries again
        if self._sync_is_slow:
            if not self._lock.locked():  # or a thread of before is held up, or writes
                threading.Thread(target=self._write_what_waits, daemon=True).start()
            return
        self._write_what_waits()

    def _write_what_waits(self) -> None:
        """Write what is not written yet, unless another thread does; what is refused is a trouble."""
        if self._lock.acquire(blocking=False):
            try:
                self._write_rest()
            except ValueError:
                return  # closed meanwhile, as for a sync
            except OSError as error:
                self._note(error)
            finally:
                self._lock.release()

    @property
    def _sync_is_slow(self) -> bool:
        since = self._syncing_since
        return since is not None and self._clock() - since > _SLOW_SYNC_NS

    def _write_rest(self) -> None:
        """Write what is not written yet, at its offset.

        Raises:
            OSError: the disk takes no more; how much it took is noted.
        """
        for offset, data, _ in list(self._kept):
            begin = self._written - offset
            while 0 <= begin < len(data):
                count = _write_at(self._stream, data[begin:], self._written)
                self._written += count
                begin += count

    def sync(self) -> bool:
        """Write what waits and sync it to the disk; return whether it is there.

        May run in other threads, one after the other, and take as long as the disk does.
        """
        with self._sync_lock:
            return self._sync_whole()

    def _sync_whole(self) -> bool:
        self._syncing_since = self._clock()
        try:
            with self._lock:
                self._write_rest()
                until = self._written
            if not self._sync_pages():
                return False
        except ValueError:
            return False  # closed meanwhile: `close` has synced it, or raised why it could not
        except OSError as error:
            self._note(error)
            return False
        finally:
            self._syncing_since = None
        self._synced = until
        while self._kept and self._kept[0][0] + len(self._kept[0][1]) <= until:
            self._kept.popleft()
        self.trouble = None
        return True

    def _sync_pages(self) -> bool:
        try:
            _sync(self._stream)
        except OSError as error:
            with self._lock:
                self._written = self._synced  # whether later pages are on the disk is not known
            self._note(error)
            return False
        return True

    def _note(self, error: OSError) -> None:
        since = self._clock() if self.trouble is None else self.trouble.since
        self.trouble = DiskTrouble(error.errno in _FULL, disk_words(error), since)

    @property
    def waiting(self) -> int:
        """Bytes that are not known to be on the disk."""
        return self._given + self._buffered - self._synced

    @property
    def unwritten(self) -> int:
        """Bytes that were handed over and that the operating system has not taken."""
        return self._given - self._written

    @property
    def waiting_since(self) -> int | None:
        """Host time at which the oldest of them was handed over, ns; None while all are synced."""
        try:
            return self._kept[0][2]
        except IndexError:
            return None

    def close(self) -> None:
        """Write and sync all that was given, and close the file, also if that fails.

        Raises:
            OSError: the disk does not take it; the file ends before what is `waiting`.
        """
        if self._stream.closed:
            return
        self.flush()
        try:
            with self._lock:
                self._write_rest()
            os.fsync(self._stream.fileno())
            self._synced = self._written
            self._kept.clear()
        finally:
            self._stream.close()


def _write_at(stream: BinaryIO, data: bytes, offset: int) -> int:
    if hasattr(os, "pwrite"):
        return os.pwrite(stream.fileno(), data, offset)
    stream.seek(offset)
    return stream.write(data)


def _sync(stream: BinaryIO) -> None:
    getattr(os, "fdatasync", os.fsync)(stream.fileno())
