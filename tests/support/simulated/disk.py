"""A simulated disk over a real folder: what was written, what was synced, and what a power cut leaves.

Every change of a file below the folder is one *step*, counted from 1. A step can fail, or the process can
be killed at it: then neither it nor any later one has an effect. `cut_power` afterwards leaves of each
file what was synced, and of the rest a random part, whole or scrambled; a name that was not synced
with its folder may be missing. After a sync that failed, the bytes it was for are lost unless they are
written again, as Linux has it (A. Rebello et al., "Can applications recover from fsync
failures?", USENIX ATC 2020).
"""

# These are the calls that a path makes.
# ruff: noqa: PTH100, PTH112, PTH115, PTH116, PTH118

from __future__ import annotations

import builtins
import io
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

__all__ = ["Killed", "SimulatedDisk", "Step"]

_CHANGES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC


class Killed(BaseException):
    """The process was killed at this step."""


@dataclass(frozen=True, slots=True)
class Step:
    """One change: its number from 1, kind (write, sync, name) and path."""

    number: int
    kind: str
    path: str


@dataclass(slots=True)
class _Content:
    """What the disk holds of a file, and what it was given since the last sync."""

    image: bytearray = field(default_factory=bytearray)
    waiting: list[tuple[int, bytes]] = field(default_factory=list)
    synced: bool = False

    def settle(self) -> None:
        for offset, data in self.waiting:
            put(self.image, offset, data)
        self.waiting.clear()
        self.synced = True


def put(image: bytearray, offset: int, data: bytes) -> None:
    """Write bytes into an image of a file."""
    if len(image) < offset:
        image.extend(bytes(offset - len(image)))
    image[offset : offset + len(data)] = data


class _Raw(io.RawIOBase):
    """A file that is written through the disk."""

    def __init__(self, disk: SimulatedDisk, handle: int, *, append: bool) -> None:
        self._disk = disk
        self._handle = handle
        self._offset = os.fstat(handle).st_size if append else 0
        self.mode = "ab" if append else "wb"

    def fileno(self) -> int:
        return self._handle

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._offset

    def seek(self, offset: int, whence: int = 0) -> int:
        if whence == 1:
            offset += self._offset
        elif whence == 2:
            offset += os.fstat(self._handle).st_size
        self._offset = offset
        return offset

    def write(self, data: Any) -> int:
        if self._disk.dead:
            return len(data)  # what a buffer flushes as it is thrown away
        count = self._disk.pwrite(self._handle, bytes(data), self._offset)
        self._offset += count
        return count

    def close(self) -> None:
        if not self.closed:
            try:
                super().close()
            finally:
                os.close(self._handle)


class _Reading(io.FileIO):
    """A file that is read from the disk."""

    def __init__(self, disk: SimulatedDisk, file: Any, path: str) -> None:
        self._disk = disk
        self._path = path
        super().__init__(file, "r")

    def readinto(self, buffer: Any) -> int | None:
        if self.tell():
            self._disk.on_middle(self._path)
        return super().readinto(buffer)

    def readall(self) -> bytes:
        if self.tell():
            self._disk.on_middle(self._path)
        return super().readall() or b""


class SimulatedDisk:
    """Replaces the system's calls on files below `root`; see `Machine`.

    Attributes:
        steps: changes so far.
        on_step: called before each; raises `OSError` for a step that fails, returns True to be killed.
        on_read: called with the path before a file is opened for reading; raises `OSError` if that fails.
        on_middle: called with the path before bytes behind the beginning of a file are read, likewise.
        dead: whether the process was killed.
    """

    def __init__(self, root: Path, random: Random) -> None:
        self.root = str(root)
        self._random = random
        self.steps = 0
        self.dead = False
        self.on_step: Callable[[Step], bool] = lambda _: False
        self.on_read: Callable[[str], None] = lambda _: None
        self.on_middle: Callable[[str], None] = lambda _: None
        self._contents: dict[int, _Content] = {}
        self._names: dict[str, dict[str, int]] = {}  # folder -> names on the disk
        self._real = {
            name: getattr(os, name)
            for name in [
                "open",
                "fdopen",
                "write",
                "pwrite",
                "fsync",
                "fdatasync",
                "replace",
                "rename",
                "link",
                "unlink",
                "remove",
                "mkdir",
                "rmdir",
                "ftruncate",
                "truncate",
            ]
        }
        self._real_open = io.open

    def calls(self) -> dict[tuple[Any, str], Callable[..., Any]]:
        """Return what takes the place of each call, by module and name."""
        found: dict[tuple[Any, str], Callable[..., Any]] = {
            (os, "open"): self.open,
            (os, "fdopen"): self.fdopen,
            (os, "pwrite"): self.pwrite,
            (os, "fsync"): self.fsync,
            (os, "fdatasync"): self.fsync,
            (io, "open"): self.open_stream,
            (builtins, "open"): self.open_stream,
        }
        for name in ("replace", "rename", "link", "unlink", "remove", "mkdir", "rmdir"):
            found[os, name] = self._renaming(name)
        return found

    def _step(self, kind: str, path: str) -> None:
        if self.dead:
            raise Killed
        self.steps += 1
        if self.on_step(Step(self.steps, kind, path)):
            self.dead = True
            raise Killed

    def _path(self, path: Any, folder: int | None = None) -> str | None:
        """Return the whole path if it is below the root."""
        if isinstance(path, int):
            found = os.readlink(f"/proc/self/fd/{path}")
        elif folder is not None:
            found = os.path.join(os.readlink(f"/proc/self/fd/{folder}"), os.fspath(path))
        else:
            found = os.path.abspath(os.fspath(path))
        return found if found.startswith(self.root) else None

    def _content(self, handle: int) -> _Content:
        return self._contents.setdefault(os.fstat(handle).st_ino, _Content())

    def open(self, path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        """Take the place of `os.open`."""
        where = self._path(path, dir_fd)
        if where is not None and flags & _CHANGES:
            new = not os.path.lexists(where)
            if new or flags & os.O_TRUNC:
                self._step("name", where)
            handle: int = self._real["open"](path, flags, mode, dir_fd=dir_fd)
            if new:
                self._contents[os.fstat(handle).st_ino] = _Content()
            return handle
        if where is not None and not flags & os.O_DIRECTORY:
            self.on_read(where)
        return int(self._real["open"](path, flags, mode, dir_fd=dir_fd))

    def fdopen(self, handle: int, mode: str = "r", *rest: Any, **options: Any) -> Any:
        """Take the place of `os.fdopen`."""
        if mode in ("wb", "ab", "xb") and self._path(handle) is not None:
            return self._stream(handle, mode, *rest, **options)
        if mode == "rb" and (where := self._path(handle)) is not None:
            return io.BufferedReader(_Reading(self, handle, where))
        return self._real["fdopen"](handle, mode, *rest, **options)

    def _stream(self, handle: int, mode: str, buffering: int = -1, *_: Any) -> Any:
        raw = _Raw(self, handle, append=mode == "ab")
        return raw if buffering == 0 else io.BufferedWriter(raw)

    def open_stream(self, file: Any, mode: str = "r", *rest: Any, **options: Any) -> Any:
        """Take the place of `open`."""
        if not set("wax+").isdisjoint(mode) and not isinstance(file, int):
            where = self._path(file)
            if where is not None:
                flags = os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC
                flags |= {"w": os.O_TRUNC, "x": os.O_EXCL, "a": os.O_APPEND}[mode[0]]
                stream = self._stream(self.open(file, flags, 0o666), f"{mode[0]}b", *rest)
                return stream if "b" in mode else io.TextIOWrapper(stream, encoding="utf-8")
        elif not isinstance(file, int) and (read := self._path(file)) is not None:
            self.on_read(read)
            if mode == "rb" and not rest and not options:
                return io.BufferedReader(_Reading(self, file, read))
        return self._real_open(file, mode, *rest, **options)

    def pwrite(self, handle: int, data: bytes, offset: int) -> int:
        """Take the place of `os.pwrite`."""
        where = self._path(handle)
        if where is None:
            return int(self._real["pwrite"](handle, data, offset))
        try:
            self._step("write", where)
        except Killed:
            if self.steps and self._random.random() < 0.5:  # a part had reached the system
                self._take(handle, data[: self._random.randrange(len(data) + 1)], offset)
            raise
        return self._take(handle, data, offset)

    def _take(self, handle: int, data: bytes, offset: int) -> int:
        count = int(self._real["pwrite"](handle, data, offset))
        self._content(handle).waiting.append((offset, bytes(data[:count])))
        return count

    def fsync(self, handle: Any) -> None:
        """Take the place of `os.fsync` and `os.fdatasync`."""
        number = handle if isinstance(handle, int) else handle.fileno()
        where = self._path(number)
        if where is None:
            self._real["fsync"](number)
            return
        content = None if os.path.isdir(where) else self._content(number)
        try:
            self._step("sync", where)
        except OSError:
            if content is not None:
                content.waiting.clear()  # the pages count as clean from now on
            raise
        if content is not None:
            content.settle()
            return
        self._names[where] = {
            entry.name: entry.inode() for entry in os.scandir(where) if not entry.is_dir()
        }

    def _renaming(self, name: str) -> Callable[..., None]:
        real = self._real[name]

        def call(path: Any, *rest: Any, **options: Any) -> None:
            folder = options.get("dir_fd", options.get("src_dir_fd"))
            where = self._path(path, folder)
            if where is not None:
                self._step("name", where)
            real(path, *rest, **options)

        return call

    def synced(self, path: str) -> bytes:
        """Return what is on the disk of a file, whatever its name."""
        content = self._contents.get(os.stat(path).st_ino)
        return b"" if content is None else bytes(content.image)

    def revive(self) -> None:
        """Begin anew, as a process that was started again."""
        self.dead = False
        self.on_step = lambda _: False
        self.on_read = self.on_middle = lambda _: None

    def cut_power(self) -> None:
        """Leave on the disk what was synced, and a random part of the rest."""
        random = self._random
        for here, _, files in os.walk(self.root):
            for name in files:
                path = os.path.join(here, name)
                inode = os.stat(path).st_ino
                content = self._contents.get(inode)
                if content is None:
                    continue
                kept = self._names.get(here, {}).get(name) == inode
                if not content.synced and not kept and random.random() < 0.3:
                    self._real["unlink"](path)  # the name had not reached the disk
                    continue
                _scatter(content, random)
                with self._real_open(path, "wb") as stream:
                    stream.write(content.image)
                self._contents[os.stat(path).st_ino] = content


def _scatter(content: _Content, random: Random) -> None:
    """Let a random part of the bytes that wait reach the disk, whole, scrambled or as zeros."""
    fate = random.choice(["lost", "first", "some", "scrambled", "all"])
    for offset, data in content.waiting:
        if fate == "lost":
            break
        if fate == "first" and random.random() < 0.3:
            put(content.image, offset, data[: random.randrange(len(data) + 1)])
            break
        if fate == "some" and random.random() < 0.5:
            continue
        if fate == "scrambled" and random.random() < 0.3:
            data = random.choice([bytes(len(data)), random.randbytes(len(data))])  # noqa: PLW2901
        put(content.image, offset, data)
    content.settle() if not content.waiting else content.waiting.clear()
    content.synced = True
