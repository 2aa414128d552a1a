"""A disk that cannot read: the read number N of a survey's files fails, once or from then on."""

from __future__ import annotations

import errno
import io
import os
from collections.abc import Callable
from functools import partial
from typing import Any, BinaryIO

import pytest

from swathe.journal import segments
from swathe.safe_files import SafeFolder

__all__ = ["FailingReads"]


class _Raw(io.RawIOBase):
    """A file whose reads are announced to `step`, which may raise."""

    def __init__(self, handle: int, step: Callable[[], None]) -> None:
        super().__init__()
        self._handle, self._step = handle, step

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._handle

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        return os.lseek(self._handle, offset, whence)

    def readinto(self, buffer: Any, /) -> int:
        self._step()
        return os.readv(self._handle, [buffer])

    def close(self) -> None:
        if not self.closed:
            os.close(self._handle)
        super().close()


class FailingReads:
    """Counts the reads of files that are opened for reading, and lets one fail.

    Args:
        monkeypatch: puts the real disk back.

    Attributes:
        count: reads since `begin`.
        fail_at: number of the read that fails; 0 for none.
        failed: name of the file whose read failed; empty before.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.count = self.fail_at = 0
        self.failed = ""
        opened = SafeFolder._opened

        def open_file(
            folder: SafeFolder, name: str, parent: int | None, last: str, flags: int, mode: str
        ) -> BinaryIO:
            stream = opened(folder, name, parent, last, flags, mode)
            if mode != "rb":
                return stream
            with stream:
                return io.BufferedReader(_Raw(os.dup(stream.fileno()), partial(self._step, name)))

        monkeypatch.setattr(SafeFolder, "_opened", open_file)

    def begin(self, fail_at: int = 0) -> None:
        """Count from zero; forget what is known of files that were read."""
        segments._segment_of.cache_clear()
        self.count, self.fail_at, self.failed = 0, fail_at, ""

    def _step(self, name: str) -> None:
        self.count += 1
        if self.count == self.fail_at:
            self.failed = name
            raise OSError(errno.EIO, os.strerror(errno.EIO), name)
