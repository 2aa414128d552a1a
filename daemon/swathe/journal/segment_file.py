"""A journal file on the disk: it appears under its name whole, and never replaces another."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
from pathlib import Path

from swathe.journal.position import SegmentDigest
from swathe.journal.steady_file import SteadyFile
from swathe.safe_files import SafeFolder

__all__ = ["SegmentFile", "sync_earlier"]

_NO_LINKS = (errno.EPERM, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EMLINK)


class SegmentFile:
    """A file as the container's writer needs it, with a digest of what was written.

    Until `publish` it has a name that nothing reads: a process that is killed before leaves no
    journal file.

    Args:
        folder: the survey's ``journal`` folder.
        number: of the file.

    Attributes:
        path: its name once it is published.
        published: whether it is.
        steady: keeps what the disk does not take.

    Raises:
        OSError: it cannot be created.
    """

    def __init__(self, folder: Path, number: int) -> None:
        self.path = folder / f"{number:04d}.mcap"
        self.published = False
        self._temporary = folder / f".{number:04d}.mcap.new"
        self._number = number
        self._digest = hashlib.sha256()
        self._size = 0
        folder.mkdir(parents=True, exist_ok=True)
        self._temporary.unlink(missing_ok=True)  # of a run that was killed as it began
        # Closed by `close`.
        self.steady = SteadyFile(self._temporary.open("xb", buffering=0))
        self.tell, self.flush = self.steady.tell, self.steady.flush

    def write(self, data: bytes) -> int:
        """Append bytes."""
        self._digest.update(data)
        self._size += len(data)
        return self.steady.write(data)

    def digest(self) -> SegmentDigest:
        """Return the digest of what was written."""
        return SegmentDigest(self._number, self._size, self._digest.hexdigest())

    def publish(self) -> None:
        """Give the file its name, once what was flushed is on the disk.

        Raises:
            OSError: there is a file of that name, or its folder cannot be written.
        """
        try:
            os.link(self._temporary, self.path)
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            if self.path.exists():
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from error
            self._temporary.rename(self.path)
        self.published = True
        self._remove_temporary()
        _sync_folder(self.path.parent)

    def close(self) -> None:
        """Write and sync all that was given, and close the file, also if that fails.

        Raises:
            OSError: the disk does not take it.
        """
        try:
            self.steady.close()
        finally:
            self._remove_temporary()

    def discard(self) -> None:
        """Close a file that was not published, and remove it."""
        with contextlib.suppress(OSError):
            self.close()

    def _remove_temporary(self) -> None:
        with contextlib.suppress(OSError):  # some systems keep the names of an open file
            self._temporary.unlink()


def sync_earlier(path: Path) -> None:
    """Sync the last file of an earlier run, which a kill may have ended before its last sync.

    The next file rests on it: it holds its digest, and its readings follow those of this one. A power
    cut must not take from the file before what was read of it (not possible on Windows).

    Raises:
        OSError: the disk does not take it.
    """
    if os.name != "posix":
        return
    with SafeFolder(path.parent).open(path.name) as stream:
        os.fsync(stream.fileno())
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Sync a folder, so that a new file's name survives a power cut (not possible on Windows)."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
