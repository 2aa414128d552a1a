"""Writing new files: all of them or none, and never over one that is there unless that is wished."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Mapping
from pathlib import Path

from swathe.errors import SwatheError
from swathe.station import parse_station

__all__ = ["refuse_existing", "write_station_files"]

_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)


def refuse_existing(paths: list[Path], *, force: bool) -> None:
    """Refuse to go on where one of the files is there.

    Raises:
        SwatheError: one is, and it is not to be replaced; names them all and the remedy.
    """
    there = [str(path) for path in paths if path.exists() or path.is_symlink()]
    if there and not force:
        message = (
            f"{', '.join(there)}: already there, and not overwritten; name another file, or replace "
            "with --force"
        )
        raise SwatheError(message)


def write_station_files(
    station: Path,
    text: str,
    others: Mapping[Path, str],
    *,
    descriptions: Mapping[str, str] | None = None,
    force: bool,
) -> None:
    """Write a station file and what goes with it, after the checks of ``swathe check``.

    Args:
        station: path of the station file.
        text: of it.
        others: text of each further file.
        descriptions: text of each protocol description by the name that the station file has for it.
        force: whether files that are there are replaced.

    Raises:
        StationError: the station file would not be valid; nothing is written.
        SwatheError: a file is there, is named twice, or cannot be written; nothing is written.
    """
    if station in others:
        message = f"{station} is the description of a device: name the station file otherwise"
        raise SwatheError(message)
    files = {**others, station: text}  # the station file last: it names the others
    refuse_existing(list(files), force=force)
    parse_station(text, station, descriptions=descriptions or {}, folder=None)
    partial: dict[Path, Path] = {}
    made: list[Path] = []
    try:
        for path, content in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            partial[path] = path.with_name(f".{path.name}.partial")
            partial[path].unlink(missing_ok=True)
            with partial[path].open("x", encoding="utf-8") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
        for path, written in partial.items():
            if force:
                written.replace(path)
            else:
                _put_in_place(written, path)
                made.append(path)
    except BaseException as error:  # Ctrl-C as well
        for path in made:
            path.unlink()
        if not isinstance(error, OSError):
            raise
        message = f"{error.filename or station}: cannot be written: {error.strerror or error}"
        raise SwatheError(message) from error
    finally:
        for written in partial.values():
            with contextlib.suppress(OSError):
                written.unlink(missing_ok=True)


def _put_in_place(written: Path, path: Path) -> None:
    """Give a file its name, unless somebody made one of that name meanwhile."""
    try:
        path.hardlink_to(written)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        with path.open("xb") as stream:  # a file system without links
            stream.write(written.read_bytes())
            stream.flush()
            os.fsync(stream.fileno())
