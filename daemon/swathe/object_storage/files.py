"""Files of a survey on object storage, read as those of a folder are."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import BinaryIO, NoReturn, cast

from swathe.object_storage.paths import PIECES, READ_ONLY, ObjectPath
from swathe.object_storage.stores import Bucket, StoredObject
from swathe.safe_files import SafeFolder, UnsafeFileError

__all__ = ["ObjectFolder", "files_of"]

# Of a journal, which is read from its start: twice as much is fetched each time, up to the second.
_FIRST_BYTES = 64 << 10
_BLOCK_BYTES = 4 << 20


def files_of(path: Path) -> SafeFolder:
    """Return the files below a path, on disk or on object storage."""
    return ObjectFolder(path) if isinstance(path, ObjectPath) else SafeFolder(path)


class ObjectFolder(SafeFolder):
    """Reads the files below a prefix; nothing is written there.

    Args:
        root: the prefix.
    """

    root: ObjectPath

    def __init__(self, root: ObjectPath) -> None:
        super().__init__(root)

    def _at(self, name: str) -> ObjectPath:
        return cast("ObjectPath", self.path(name))

    def read(self, name: str, *, limit: int) -> bytes:
        """Return the contents of a file.

        Raises:
            FileNotFoundError: there is none.
            UnsafeFileError: it has more than `limit` bytes.
            StorageError: it cannot be read.
        """
        path = self._at(name)
        data = path.bucket.read(path.key, limit=limit)
        if len(data) > limit:
            raise UnsafeFileError(path, f"has more than {limit:,} bytes: not read")
        return data

    def open(self, name: str) -> BinaryIO:
        """Return a file, open for reading: what is read of it is fetched.

        Raises:
            FileNotFoundError: there is none.
            StorageError: it cannot be read.
        """
        path = self._at(name)
        if not (pieces := path.pieces()):
            raise FileNotFoundError(2, "there is no such object", str(path))
        return io.BufferedReader(_Pieces(path.bucket, pieces), _BLOCK_BYTES)

    def names(self, below: str = "") -> Iterator[str]:
        """Yield the name of every file, or of those in a folder, in the order of their names.

        Raises:
            StorageError: they cannot be listed.
        """
        top = self._at(below) if below else self.root
        start = len(self.root.key) + 1 if self.root.key else 0
        found = (one.key[start:] for one in self.root.bucket.below(top.key))
        # Pieces of one file are one name.
        yield from sorted({name.partition(PIECES + "/")[0] for name in found})

    def entries(self, below: str = "") -> list[str]:
        """Return the names of what is in a folder, sorted.

        Raises:
            StorageError: they cannot be listed.
        """
        folders, files = (self._at(below) if below else self.root).entries()
        return sorted(folders + files)

    def is_file(self, name: str) -> bool:
        """Return whether there is a file of that name.

        Raises:
            StorageError: it cannot be found out.
        """
        return self._at(name).is_file()

    def is_folder(self, name: str) -> bool:
        """Return whether there are files below that name.

        Raises:
            StorageError: it cannot be found out.
        """
        return self._at(name).is_dir()

    def _refuse(self, *_given: object, **_options: object) -> NoReturn:
        raise UnsafeFileError(self.root, READ_ONLY)

    append = create = replace = move = remove = remove_folder = _refuse


class _Pieces(io.RawIOBase):
    """Objects one behind the other, as one file."""

    def __init__(self, bucket: Bucket, pieces: Sequence[StoredObject]) -> None:
        self._bucket, self._pieces = bucket, pieces
        self._size = sum(one.size for one in pieces)
        self._offset, self._most = 0, _FIRST_BYTES

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._offset, io.SEEK_END: self._size}[whence]
        self._offset = max(0, base + offset)
        return self._offset

    def tell(self) -> int:
        return self._offset

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        begin = 0
        for piece in self._pieces:
            within = self._offset - begin
            if within < piece.size and len(buffer):
                count = min(len(buffer), piece.size - within, self._most)
                self._most *= 2
                data = self._bucket.read_range(piece.key, within, count)
                buffer[: len(data)] = data
                self._offset += len(data)
                return len(data)
            begin += piece.size
        return 0
