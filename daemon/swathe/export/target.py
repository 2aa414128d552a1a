"""The file of an export: written aside, and put in its place when it is whole.

What is there already is replaced only where that was asked for; a link is never followed.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from swathe.errors import SwatheError

__all__ = ["written_aside"]


@contextmanager
def written_aside(target: Path, *, force: bool) -> Iterator[Path]:
    """Yield the path of an empty file next to `target`, which becomes it when the block ends.

    Where the block raises, nothing is left and what was there is as it was.

    Args:
        target: the file; a link of that name is replaced, and not what it leads to.
        force: whether a file that is there is replaced.

    Raises:
        SwatheError: there is a file and `force` is not given, a folder, or nothing can be written.
    """
    _refuse(target, force=force)
    aside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.partial")
    try:
        # Nobody else's file or link can be under this name: it is created here.
        flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_NOFOLLOW", 0)
        os.close(os.open(aside, flags, 0o666))
    except OSError as error:
        raise _not_written(target, error) from error
    try:
        try:
            yield aside
            _sync(aside)
            _publish(aside, target, force=force)
        except OSError as error:
            raise _not_written(target, error) from error
    finally:
        with suppress(OSError):
            aside.unlink()


def _refuse(target: Path, *, force: bool) -> None:
    if target.is_dir() and not target.is_symlink():
        message = f"{target}: is a folder: name a file"
        raise SwatheError(message)
    if os.path.lexists(target) and not force:
        message = f"{target}: is there already: give --force to replace it, or name another file"
        raise SwatheError(message)


def _publish(aside: Path, target: Path, *, force: bool) -> None:
    """Give the file its name; without `force` only where nothing came there meanwhile."""
    if force:
        aside.replace(target)
        return
    try:
        os.link(aside, target)
    except FileExistsError:
        _refuse(target, force=force)
    except OSError:
        # A file system without hard links.
        _refuse(target, force=force)
        aside.replace(target)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _not_written(target: Path, error: OSError) -> SwatheError:
    return SwatheError(f"{target}: cannot be written: {error.strerror or error}")
