"""A disk that cannot read: the read number N of a survey's files fails, once or from then on."""

from __future__ import annotations

import errno
import io
import os
from typing import Any, BinaryIO

import pytest

from swathe.journal import segments
from swathe.safe_files import SafeFolder

__all__ = ["FailingReads"]


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
        reads = self

        class Raw(io.FileIO):
            def __init__(self, handle: int, name: str) -> None:
                super().__init__(handle, "rb")
                self.called = name

            def readinto(self, buffer: Any) -> int:
                reads._step(self.called)
                return super().readinto(buffer)

            def readall(self) -> bytes:
                reads._step(self.called)
                return super().readall()

        def open_file(
            folder: SafeFolder, name: str, parent: int | None, last: str, flags: int, mode: str
        ) -> BinaryIO:
            stream = opened(folder, name, parent, last, flags, mode)
            if mode != "rb":
                return stream
            with stream:
                return io.BufferedReader(Raw(os.dup(stream.fileno()), name))

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
