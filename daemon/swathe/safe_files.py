"""Files of one folder whose contents may be a stranger's: a survey that was copied, mailed or edited.

Nothing is opened through a symbolic link below the folder, neither as the file nor as a folder on
its path, so that no name in a survey leads out of it; only regular files are opened, so that none
waits for a pipe's other end; a file is read only up to a size that the caller gives. The folder
itself may be reached through a link: the user named it.

On systems without ``openat`` (Windows) each part of a path is examined before it is opened: a link
that is put there between the two steps is followed.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

__all__ = ["SafeFolder", "UnsafeFileError", "is_dense_json"]

_AT = os.open in os.supports_dir_fd
_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
# Opening a pipe would wait for its other end; of a regular file it changes nothing.
_NO_WAIT = getattr(os, "O_NONBLOCK", 0)
_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0)
_PARTIAL = ".partial"
_FEW_VALUES = 10_000
_BYTES_A_VALUE = 8


class UnsafeFileError(OSError):
    """A file is not opened: a link, no regular file, or larger than it may be.

    An `OSError` with its text in `strerror`, so that it is reported like any other.
    """

    def __init__(self, path: Path | str, message: str) -> None:
        super().__init__(errno.EPERM, message, str(path))


class SafeFolder:
    """Reads and writes the files of a folder; names are relative to it, with ``/`` between parts.

    Args:
        root: the folder; it exists before a file is written.
    """

    def __init__(self, root: Path) -> None:
        self.root = root

    def path(self, name: str) -> Path:
        """Return the path of a file, for messages."""
        return self.root.joinpath(*_parts(name))

    def read(self, name: str, *, limit: int) -> bytes:
        """Return the contents of a file.

        Raises:
            FileNotFoundError: there is none.
            UnsafeFileError: it has more than `limit` bytes, is reached through a link, or is no file.
            OSError: it cannot be read.
        """
        with self.open(name) as stream:
            data = stream.read(limit + 1)
        if len(data) > limit:
            raise UnsafeFileError(self.path(name), f"has more than {limit:,} bytes: not read")
        return data

    def open(self, name: str) -> BinaryIO:
        """Return a file, open for reading.

        Raises:
            FileNotFoundError: there is none.
            UnsafeFileError: it is reached through a link, or is no regular file.
            OSError: it cannot be opened.
        """
        with self._parent(name) as (parent, last):
            return self._opened(name, parent, last, os.O_RDONLY, "rb")

    def append(self, name: str) -> BinaryIO:
        """Return a file, open for appending; it is created if there is none, with its folders.

        Raises:
            UnsafeFileError: it is reached through a link, is no regular file, or has another name
                elsewhere (a hard link).
            OSError: it cannot be opened.
        """
        with self._parent(name, create=True) as (parent, last):
            flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT
            stream = self._opened(name, parent, last, flags, "ab")
        if os.fstat(stream.fileno()).st_nlink > 1:
            stream.close()
            raise UnsafeFileError(self.path(name), "has a second name elsewhere: not written")
        return stream

    def create(self, name: str) -> BinaryIO:
        """Return a new file, open for writing; its folders are created.

        Raises:
            FileExistsError: there is one, or a link of that name.
            OSError: it cannot be created.
        """
        with self._parent(name, create=True) as (parent, last):
            return self._opened(name, parent, last, os.O_WRONLY | os.O_CREAT | os.O_EXCL, "wb")

    def replace(self, name: str, data: bytes | memoryview, *, sync: bool = True) -> None:
        """Write a file; a reader sees the old or the new one, never a part.

        A link of that name is replaced by the file; what it leads to is not touched.

        Args:
            name: of the file.
            data: its new contents.
            sync: whether they are on the disk before the old file is replaced.

        Raises:
            OSError: it cannot be written.
        """
        with self._parent(name, create=True) as (parent, last):
            partial = last + _PARTIAL
            with suppress(FileNotFoundError):
                os.unlink(partial, dir_fd=parent)
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
            try:
                with self._opened(name, parent, partial, flags, "wb") as stream:
                    stream.write(data)
                    stream.flush()
                    if sync:
                        os.fsync(stream.fileno())
                os.replace(partial, last, src_dir_fd=parent, dst_dir_fd=parent)
            except OSError:
                with suppress(OSError):
                    os.unlink(partial, dir_fd=parent)
                raise

    def move(self, name: str, to: str) -> None:
        """Rename a file or folder within the folder; a file of the new name is replaced.

        Raises:
            OSError: it cannot be renamed.
        """
        with self._parent(name) as (parent, last), self._parent(to, create=True) as (new, new_last):
            os.replace(last, new_last, src_dir_fd=parent, dst_dir_fd=new)

    def remove(self, name: str) -> None:
        """Remove a file or a link; nothing happens if there is none.

        Raises:
            OSError: it cannot be removed.
        """
        with suppress(FileNotFoundError), self._parent(name) as (parent, last):
            os.unlink(last, dir_fd=parent)

    def remove_folder(self, name: str) -> None:
        """Remove a folder with all that it holds; nothing happens if there is none.

        Raises:
            OSError: it cannot be removed.
        """
        if not self.is_folder(name):
            return
        for below in list(self.names(name)):
            self.remove(below)
        for here, _, _ in os.walk(self.path(name), topdown=False):
            Path(here).rmdir()

    def names(self, below: str = "") -> Iterator[str]:
        """Yield the name of everything in the folder, or in one below it, that is no folder.

        These are files, links and what else there is, in the order of their names; a link to a
        folder is one name.
        """
        if below and not self.is_folder(below):
            return
        top = self.path(below) if below else self.root
        for here, folders, files in os.walk(top):
            folders.sort()
            links = [name for name in folders if Path(here, name).is_symlink()]
            for name in sorted([*files, *links]):
                yield Path(here, name).relative_to(self.root).as_posix()

    def entries(self, below: str = "") -> list[str]:
        """Return the names of what is in a folder, without those of folders below it, sorted."""
        if below and not self.is_folder(below):
            return []
        return sorted(path.name for path in (self.path(below) if below else self.root).iterdir())

    def is_file(self, name: str) -> bool:
        """Return whether there is a regular file of that name that is reached through no link."""
        return stat.S_ISREG(self._mode(name))

    def is_folder(self, name: str) -> bool:
        """Return whether there is a folder of that name that is reached through no link."""
        return stat.S_ISDIR(self._mode(name))

    def _mode(self, name: str) -> int:
        """Return type and permissions of what a name means itself; 0 if there is nothing."""
        try:
            with self._parent(name) as (parent, last):
                return os.stat(last, dir_fd=parent, follow_symlinks=False).st_mode
        except OSError:
            return 0

    def _opened(self, name: str, parent: int | None, last: str, flags: int, mode: str) -> BinaryIO:
        try:
            handle = os.open(last, flags | _NO_LINK | _NO_WAIT, 0o666, dir_fd=parent)
        except OSError as error:
            if error.errno in (errno.ELOOP, errno.EMLINK, errno.ENXIO):
                raise self._refused(name) from error
            raise
        try:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise self._refused(name)
            return os.fdopen(handle, mode)  # type: ignore[return-value]
        except BaseException:
            os.close(handle)
            raise

    def _refused(self, name: str) -> UnsafeFileError:
        return UnsafeFileError(self.path(name), "is a link or no regular file: not opened")

    @contextmanager
    def _parent(self, name: str, *, create: bool = False) -> Iterator[tuple[int | None, str]]:
        """Open the folder that holds a file; yield its descriptor, and the file's name in it.

        Where the system knows no descriptors of folders, yield None and the file's path.
        """
        *folders, last = _parts(name)
        if not _AT:
            yield None, str(self._examined(folders, create=create) / last)
            return
        here = os.open(self.root, _FOLDER)
        try:
            for folder in folders:
                if create:
                    with suppress(FileExistsError):
                        os.mkdir(folder, dir_fd=here)
                try:
                    below = os.open(folder, _FOLDER | _NO_LINK, dir_fd=here)
                except OSError as error:
                    if error.errno in (errno.ELOOP, errno.ENOTDIR):
                        raise UnsafeFileError(
                            self.path(name), f"is not opened: '{folder}' is a link or no folder"
                        ) from error
                    raise
                os.close(here)
                here = below
            yield here, last
        finally:
            os.close(here)

    def _examined(self, folders: list[str], *, create: bool) -> Path:
        """Return the folder that holds a file, none of whose parts is a link at this moment."""
        here = self.root
        for folder in folders:
            here = here / folder
            if create:
                here.mkdir(exist_ok=True)
            if here.is_symlink():
                raise UnsafeFileError(here, "is a link: not opened")
        return here


def is_dense_json(data: bytes) -> bool:
    """Return whether JSON has more values for its size than any file of a survey.

    Parsed, each value takes tens of bytes: an empty list for every three bytes would make of a file of
    64 MB some GB in memory. Files of a survey have a value for 20 bytes or more.
    """
    values = sum(data.count(mark) for mark in (b"[", b"{", b","))
    return values > _FEW_VALUES + len(data) // _BYTES_A_VALUE


def _parts(name: str) -> list[str]:
    """Return the parts of a name.

    Raises:
        UnsafeFileError: it leads out of the folder.
    """
    parts = name.split("/")
    # Elsewhere a backslash is a letter like any other.
    parting = "\\:" if os.sep == "\\" else ""
    if any(part in ("", ".", "..") or not set(part).isdisjoint(f"\0{parting}") for part in parts):
        raise UnsafeFileError(name, "is no name of a file in the folder")
    return parts
