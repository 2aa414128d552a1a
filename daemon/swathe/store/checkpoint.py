"""Checkpoints: the state of a survey after part of its journal, so that resuming takes seconds.

A checkpoint saves time and nothing else. It is used only if the same code computed it from the very
bytes that the journal begins with; otherwise the journal is replayed from its start. It is kept
in a folder of the user's own, never in the survey: loading a state that somebody else wrote could
run what they wrote.

A file is a magic line, the length of its header (8 bytes, low byte first), the header (JSON), a zstd
frame with the pickled objects and the memory of their arrays, and the SHA-256 of all that.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from zstandard import ZstdCompressor, ZstdDecompressor

from swathe.journal import JournalPosition, SegmentDigest
from swathe.store.code_digest import code_digest, code_packages
from swathe.store.frozen import Frozen, thaw

__all__ = ["Checkpoint", "CheckpointFile", "CheckpointUnusableError"]

_MAGIC = b"swathe checkpoint 2\n"
_DIGEST_BYTES = 32
_OPEN_TO_OTHERS = stat.S_IRWXG | stat.S_IRWXO
# Checkpoints of surveys that nobody resumed for so long are removed.
_KEPT_SECONDS = 60 * 24 * 3600
_LEVEL = 1


class CheckpointUnusableError(Exception):
    """A checkpoint is not used; the text is the reason."""


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A state and where in the journal it is valid.

    Attributes:
        state: the objects.
        position: behind the last entry that they know.
        digests: of the journal's bytes up to there, by file.
    """

    state: Any
    position: JournalPosition
    digests: tuple[SegmentDigest, ...]


class CheckpointFile:
    """The checkpoint of one survey, in the user's cache.

    Args:
        survey: folder of the survey, and
        identity: its identity; together they name the file.
        cache: folder of all checkpoints; that of the user without one.

    Attributes:
        path: of the file; None where the user has no folder for caches.
    """

    def __init__(self, survey: Path, identity: str, *, cache: Path | None = None) -> None:
        folder = cache or _user_cache()
        name = hashlib.sha256(f"{survey.resolve()}\0{identity}".encode()).hexdigest()[:32]
        self.path = None if folder is None else folder / f"{name}.checkpoint"

    def save(
        self, frozen: Frozen, position: JournalPosition, digests: Iterable[SegmentDigest]
    ) -> None:
        """Replace the file; a reader sees the old or the new one, never a part.

        Raises:
            CheckpointUnusableError: it cannot be written there.
        """
        if self.path is None:
            message = "the user has no folder for caches"
            raise CheckpointUnusableError(message)
        header = {
            "code": code_digest(),
            "position": [position.segment, position.offset, *position[3:]],
            "channels": {str(number): channel for number, channel in position.channels.items()},
            "digests": list(digests),
            "sizes": [len(frozen.pickled), *frozen.sizes],
        }
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            _check_private(self.path.parent)
            _remove_old(self.path.parent)
            self._write(json.dumps(header).encode(), frozen)
        except OSError as error:
            message = f"{self.path} cannot be written: {error.strerror}"
            raise CheckpointUnusableError(message) from error

    def _write(self, header: bytes, frozen: Frozen) -> None:
        assert self.path is not None  # noqa: S101  seen by `save`
        partial = self.path.with_suffix(".partial")
        partial.unlink(missing_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        with os.fdopen(os.open(partial, flags, 0o600), "wb") as stream:
            digest = hashlib.sha256()
            compressor = ZstdCompressor(level=_LEVEL).compressobj()

            def write(data: bytes) -> None:
                digest.update(data)
                stream.write(data)

            write(_MAGIC + len(header).to_bytes(8, "little") + header)
            write(compressor.compress(frozen.pickled))
            for part in frozen.parts():
                write(compressor.compress(part))
            write(compressor.flush())
            stream.write(digest.digest())
        partial.replace(self.path)

    def load(self) -> Checkpoint:
        """Return the checkpoint; whether the journal is the same is for the caller to see.

        Raises:
            CheckpointUnusableError: there is none, it is damaged, or of other code.
        """
        data = self._read()
        end = len(data) - _DIGEST_BYTES
        begin = len(_MAGIC) + 8
        whole = end > begin and data[: len(_MAGIC)] == _MAGIC
        if not whole or hashlib.sha256(data[:end]).digest() != data[end:]:
            message = "it is damaged"
            raise CheckpointUnusableError(message)
        length = int.from_bytes(data[len(_MAGIC) : begin], "little")
        header = json.loads(bytes(data[begin : begin + length]))
        if header["code"] != code_digest():
            message = "it is of another version of the program"
            raise CheckpointUnusableError(message)
        try:
            pickled, *buffers = _decompressed(data[begin + length : end], header["sizes"])
            state = thaw(bytes(pickled), buffers, code_packages())
        except Exception as error:
            message = f"it cannot be loaded: {type(error).__name__}: {error}"
            raise CheckpointUnusableError(message) from error
        channels = {int(number): tuple(of) for number, of in header["channels"].items()}
        segment, offset, *numbers = header["position"]
        return Checkpoint(
            state,
            JournalPosition(segment, offset, channels, *numbers),
            tuple(SegmentDigest(*digest) for digest in header["digests"]),
        )

    def _read(self) -> memoryview:
        """Return the bytes of the file, if it is the user's own."""
        if self.path is None:
            message = "the user has no folder for caches"
            raise CheckpointUnusableError(message)
        try:
            _check_private(self.path.parent)
            _check_private(self.path)
            return memoryview(self.path.read_bytes())
        except FileNotFoundError:
            message = "there is none"
            raise CheckpointUnusableError(message) from None
        except OSError as error:
            message = f"{self.path} cannot be read: {error.strerror}"
            raise CheckpointUnusableError(message) from error


def _decompressed(data: memoryview, sizes: list[int]) -> list[bytearray]:
    """Return the parts of a zstd frame.

    Raises:
        ValueError: it has fewer bytes.
        ZstdError: it is damaged.
    """
    parts = []
    with ZstdDecompressor().stream_reader(data) as stream:
        for size in sizes:
            part = bytearray(size)
            with memoryview(part) as view:
                done = 0
                while done < size:
                    count = stream.readinto(view[done:])
                    if not count:
                        message = "it ends too early"
                        raise ValueError(message)
                    done += count
            parts.append(part)
    return parts


def _check_private(path: Path) -> None:
    """Check that a file or folder is the user's own, and closed to others.

    Raises:
        CheckpointUnusableError: it is not.
        OSError: it is missing.
    """
    found = path.lstat()
    if os.name != "posix":
        return  # a user's profile is closed to others by the system
    if (
        stat.S_ISLNK(found.st_mode)
        or found.st_uid != os.geteuid()
        or found.st_mode & _OPEN_TO_OTHERS
    ):
        message = f"{path} must be the user's own and closed to others (chmod go= {path})"
        raise CheckpointUnusableError(message)


def _remove_old(folder: Path) -> None:
    """Remove the checkpoints that nobody used for long, and what a kill left."""
    limit = time.time() - _KEPT_SECONDS
    for path in folder.glob("*.checkpoint"):
        with contextlib.suppress(OSError):
            if path.stat().st_mtime < limit:
                path.unlink()


def _user_cache() -> Path | None:
    """Return the folder of all checkpoints of this user; None where there is no home."""
    try:
        if sys.platform == "win32":
            base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
        elif sys.platform == "darwin":
            base = Path.home() / "Library" / "Caches"
        else:
            base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    except RuntimeError:
        return None
    return base / "swathe" / "checkpoints"
