"""Records what is synced to the disk, in order, with the real system calls behind it."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

__all__ = ["Sync", "record_syncs"]


@dataclass(frozen=True)
class Sync:
    """A sync as it was called.

    Attributes:
        call: ``fsync`` or ``fdatasync``.
        inode: of the file or folder.
        is_folder: whether it is a folder.
        size: of the file at the time: what the operating system had by then.
        names: files that the folder had at the time; empty for a file.
    """

    call: str
    inode: int
    is_folder: bool
    size: int
    names: tuple[str, ...]

    def of(self, path: Path) -> bool:
        """Return whether this sync was of `path`."""
        return self.inode == path.stat().st_ino


def record_syncs(monkeypatch: pytest.MonkeyPatch, folder: Path) -> list[Sync]:
    """Return the list to which each later sync of this process is added, before it is made.

    Args:
        monkeypatch: puts the calls back.
        folder: the one whose files are listed when a folder is synced.
    """
    syncs: list[Sync] = []

    def recorder(call: str, real: Callable[[int], None]) -> Callable[[int], None]:
        def record(descriptor: int) -> None:
            about = os.fstat(descriptor)
            is_folder = stat.S_ISDIR(about.st_mode)
            names = tuple(sorted(path.name for path in folder.iterdir())) if is_folder else ()
            syncs.append(Sync(call, about.st_ino, is_folder, about.st_size, names))
            real(descriptor)

        return record

    for call in ("fsync", "fdatasync"):
        monkeypatch.setattr(os, call, recorder(call, getattr(os, call)))
    return syncs
