"""The path of what is on object storage, in the place of a path on disk.

It joins, compares and prints like any path; whatever would open it as a file on disk finds none.
"""

from __future__ import annotations

import os
import re
import stat
import zlib
from collections.abc import Iterator
from fnmatch import fnmatchcase
from pathlib import Path, PosixPath
from typing import TYPE_CHECKING, Any, NoReturn, Self
from urllib.parse import unquote

from swathe.errors import SwatheError
from swathe.object_storage.stores import Bucket, StoredObject, storage_of
from swathe.safe_files import UnsafeFileError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["PIECES", "READ_ONLY", "ObjectPath", "checked_copy_url", "has_scheme", "survey_path"]

PIECES = ".pieces"
"""Ends the name below which a journal file that is still growing is copied, piece by piece."""

READ_ONLY = "is on object storage, where a survey is only read: name a file elsewhere"
"""Of what would write there, as the rest of a sentence."""

_GROWING = ".mcap"
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+)://?(.*)", re.DOTALL)


def has_scheme(text: str) -> bool:
    """Return whether a text is a URL, as opposed to a path on disk."""
    return bool(re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", text))


def checked_copy_url(text: str) -> str:
    """Return a URL below which copies can be.

    Raises:
        ValueError: it is none, or holds credentials.
    """
    scheme, _, rest = text.partition("://")
    if scheme not in ("s3", "file") or not rest.strip("/"):
        message = "must be s3://BUCKET/PREFIX or file:///FOLDER"
        raise ValueError(message)
    if "@" in rest.partition("/")[0]:
        message = "must hold no credentials: AWS_ACCESS_KEY_ID and the like give them"
        raise ValueError(message)
    return text


def survey_path(text: str | Path) -> Path:
    """Return the path that a text names: a URL of object storage, or one on disk.

    Raises:
        SwatheError: it is a URL of another kind.
    """
    written = str(text)
    if isinstance(text, Path) or not has_scheme(written):
        return Path(text)
    found = _SCHEME.fullmatch(written)
    scheme, rest = (found[1].lower(), found[2]) if found else ("", "")
    if scheme == "file":
        if not rest.startswith("/"):
            message = (
                f"{written}: 'file:' is followed by a whole path, such as file:///data/penstock-3"
            )
            raise SwatheError(message)
        return Path(unquote(rest))
    if scheme != "s3" or not rest.strip("/"):
        message = (
            f"{written}: a survey is a folder, file:///FOLDER, or s3://BUCKET/PREFIX of a storage that "
            "speaks S3"
        )
        raise SwatheError(message)
    return ObjectPath("s3:", *rest.strip("/").split("/"))


class ObjectPath(PosixPath):
    """``s3://BUCKET/KEY``; made by `survey_path`.

    A prefix that objects are below counts as a folder. A journal file of which there are pieces only
    counts as a file of all of them.
    """

    __slots__ = ()

    def __str__(self) -> str:
        return super().__str__().replace(":/", "://", 1)

    __fspath__ = __str__

    def __repr__(self) -> str:
        return f"ObjectPath({str(self)!r})"

    def __reduce__(self) -> tuple[Any, ...]:
        return survey_path, (str(self),)

    @property
    def bucket(self) -> Bucket:
        """The bucket.

        Raises:
            StorageError: there is no way to be known by the storage.
        """
        return storage_of(self.parts[0].rstrip(":"), self.parts[1])

    @property
    def key(self) -> str:
        """Of the object, or the prefix of those below it; empty for the whole bucket."""
        return "/".join(self.parts[2:])

    def pieces(self) -> Sequence[StoredObject]:
        """Return the objects that hold the file one behind the other; none if there is no such file.

        Raises:
            StorageError: it cannot be found out.
        """
        if (whole := self.bucket.head(self.key)) is not None:
            return [whole]
        if self.suffix != _GROWING:
            return []
        found, end = [], 0
        for one in self.bucket.below(self.key + PIECES):
            if one.key.rpartition("/")[2] != f"{end:015d}":
                break  # what follows a gap is of no use
            found.append(one)
            end += one.size
        return found

    def entries(self) -> tuple[list[str], list[str]]:
        """Return the names of folders and of files just below.

        Raises:
            StorageError: they cannot be listed.
        """
        prefixes, objects = self.bucket.entries(self.key)
        folders = [one.rpartition("/")[2] for one in prefixes]
        files = {one.key.rpartition("/")[2] for one in objects}
        growing = f"{_GROWING}{PIECES}"
        files |= {one.removesuffix(PIECES) for one in folders if one.endswith(growing)}
        return sorted(one for one in folders if not one.endswith(growing)), sorted(files)

    def stat(self, *, follow_symlinks: bool = True) -> os.stat_result:
        """Return type and size of a file; its number stands for its contents.

        Raises:
            FileNotFoundError: there is none.
            StorageError: it cannot be found out.
        """
        del follow_symlinks
        if not (pieces := self.pieces()):
            raise FileNotFoundError(2, "there is no such object", str(self))
        number = zlib.crc32("".join(one.tag for one in pieces).encode())
        size = sum(one.size for one in pieces)
        return os.stat_result((stat.S_IFREG | 0o444, number, 0, 1, 0, 0, size, 0, 0, 0))

    def is_file(self, **_options: Any) -> bool:  # noqa: ANN401  of later versions of Python
        """Return whether there is such an object."""
        return bool(self.pieces())

    def is_dir(self, **_options: Any) -> bool:  # noqa: ANN401
        """Return whether there are objects below."""
        return any(self.entries())

    def exists(self, **_options: Any) -> bool:  # noqa: ANN401
        """Return whether there is such an object, or objects below."""
        return self.is_file() or self.is_dir()

    def is_symlink(self) -> bool:
        """Return False: there are no links."""
        return False

    def iterdir(self) -> Iterator[Self]:  # type: ignore[override]
        """Yield what is just below."""
        for names in self.entries():
            yield from (self / name for name in names)

    def glob(self, pattern: str, **_options: Any) -> Iterator[Self]:  # type: ignore[override]  # noqa: ANN401
        """Yield the files just below whose names match a pattern."""
        yield from (self / name for name in self.entries()[1] if fnmatchcase(name, pattern))

    def _refuse(self, *_given: Any, **_options: Any) -> NoReturn:  # noqa: ANN401
        raise UnsafeFileError(self, READ_ONLY)

    mkdir = touch = open = unlink = rmdir = rename = replace = write_bytes = write_text = _refuse
    """Nothing is written; bytes are read by `swathe.object_storage.files`."""

    def resolve(self, strict: bool = False) -> Self:
        """Return the path: nothing leads elsewhere."""
        del strict
        return self

    def absolute(self) -> Self:
        """Return the path."""
        return self
