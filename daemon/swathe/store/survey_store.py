"""The zarr store of a survey: every file is opened safely, checked as it is read, digested as it is written.

Readers of zarr and xarray need none of this: what is on the disk is an ordinary zarr group.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable

from zarr.abc.store import (
    ByteRequest,
    OffsetByteRequest,
    RangeByteRequest,
    Store,
    SuffixByteRequest,
)
from zarr.core.buffer import Buffer, BufferPrototype

from swathe.errors import SurveyError
from swathe.safe_files import SafeFolder
from swathe.store.advice import REPAIR, advice
from swathe.store.array_layout import (
    MOST_METADATA_BYTES,
    ArrayLayout,
    group_layouts,
    layout_of,
    parse_metadata,
)
from swathe.store.digests import TURNS, FileDigest, read_digests
from swathe.store.folder import SurveyFolder
from swathe.store.zstd_frame import frame_content

__all__ = ["SurveyStore"]


class SurveyStore(Store):
    """A zarr group below a survey's folder.

    Args:
        folder: the survey's folder.
        below: name of the group in it.
        read_only: whether nothing may be written.
        verified: whether what is read is compared with its digest; where the survey has none, it
            is not.
        on_written: called with the name of a file and its digest; None when it was removed.
        absent: names of files, relative to the survey's folder, that are taken for absent until they
            are written again; then they leave the set.
    """

    supports_writes = True
    supports_deletes = True
    supports_listing = True

    def __init__(
        self,
        folder: SafeFolder,
        below: str,
        *,
        read_only: bool = False,
        verified: bool = False,
        on_written: Callable[[str, FileDigest | None], None] | None = None,
        absent: set[str] | None = None,
    ) -> None:
        super().__init__(read_only=read_only)
        self._folder = folder
        self._below = below
        self._digests = read_digests(folder) if verified else None
        self._on_written = on_written
        self._absent = set() if absent is None else absent
        self._layouts: dict[str, ArrayLayout] = {}

    def with_read_only(self, read_only: bool = False) -> SurveyStore:
        """Return a store of the same files that is read-only or not."""
        return SurveyStore(
            self._folder,
            self._below,
            read_only=read_only,
            verified=self._digests is not None,
            on_written=self._on_written,
            absent=self._absent,
        )

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, SurveyStore)
            and self._folder.root == other._folder.root
            and self._below == other._below
        )

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"SurveyStore({str(self._folder.root / self._below)!r})"

    async def get(
        self, key: str, prototype: BufferPrototype, byte_range: ByteRequest | None = None
    ) -> Buffer | None:
        """Return the contents of a file; None if there is none.

        Raises:
            SurveyError: it is not what was written, or more than it may be.
        """
        data = await asyncio.to_thread(self._read, key)
        if data is None:
            return None
        match byte_range:
            case RangeByteRequest(start, end):
                data = data[start:end]
            case OffsetByteRequest(offset):
                data = data[offset:]
            case SuffixByteRequest(suffix):
                data = data[max(0, len(data) - suffix) :]
        return prototype.buffer.from_bytes(data)

    async def get_partial_values(
        self, prototype: BufferPrototype, key_ranges: Iterable[tuple[str, ByteRequest | None]]
    ) -> list[Buffer | None]:
        """Return parts of files."""
        return [await self.get(key, prototype, part) for key, part in key_ranges]

    def _read(self, key: str) -> bytes | None:
        name = f"{self._below}/{key}"
        array, _, chunk = key.partition("/c/")
        layout = self._layouts.get(array) if chunk else None
        limit = MOST_METADATA_BYTES if layout is None else _most_packed(layout.chunk_bytes)
        for turn in range(TURNS):
            data = self._contents(name, limit)
            fault = None if self._digests is None else self._digests.fault(name, data)
            if fault is None or not fault.kind.is_damage:
                break
            if turn + 1 == TURNS:
                raise SurveyError(self._folder.root, f"{fault}{self._remedy}")
            # A live run replaces files: the digests may be older than what was read.
            self._digests = read_digests(self._folder)
        if data is not None:
            try:
                self._check(key, data, layout)
            except ValueError as error:
                raise SurveyError(self._folder.path(name), f"{error}{self._remedy}") from error
        return data

    @property
    def _remedy(self) -> str:
        """What to do about a file that is not what was written, as the rest of a sentence."""
        return f"; {advice(SurveyFolder(self._folder.root), REPAIR)}"

    def _contents(self, name: str, limit: int) -> bytes | None:
        if name in self._absent:
            return None
        try:
            return self._folder.read(name, limit=limit)
        except (FileNotFoundError, IsADirectoryError):
            return None
        except OSError as error:
            raise SurveyError(self._folder.path(name), f"{error.strerror}{self._remedy}") from error

    def _check(self, key: str, data: bytes, layout: ArrayLayout | None) -> None:
        """Check what may be in a file, before zarr reads it.

        Raises:
            ValueError: it is more, or something else.
        """
        array, _, last = key.rpartition("/")
        if last == "zarr.json":
            document = parse_metadata(data)
            if array:
                self._layouts[array] = layout_of(array, document)
            else:
                self._layouts.update(group_layouts(document))
        elif "/c/" in key:
            if layout is None:
                message = "is a chunk of an array without metadata"
                raise ValueError(message)
            content = frame_content(data)
            if content > layout.chunk_bytes or (layout.exact and content != layout.chunk_bytes):
                message = f"unpacks to {content:,} bytes, a chunk has {layout.chunk_bytes:,}"
                raise ValueError(message)

    async def exists(self, key: str) -> bool:
        """Return whether there is a file of that name."""
        return await asyncio.to_thread(self._is_file, f"{self._below}/{key}")

    def _is_file(self, name: str) -> bool:
        return name not in self._absent and self._folder.is_file(name)

    async def set(self, key: str, value: Buffer) -> None:
        """Write a file."""
        self._check_writable()
        await asyncio.to_thread(self._write, key, value.to_bytes())

    def _write(self, key: str, data: bytes) -> None:
        name = f"{self._below}/{key}"
        array, _, last = key.rpartition("/")
        if array and last == "zarr.json":
            self._layouts[array] = layout_of(array, parse_metadata(data))
        # Not synced: the journal is, and whoever reads it sees by its digest what was lost.
        self._folder.replace(name, data, sync=False)
        self._absent.discard(name)
        if self._on_written is not None:
            self._on_written(name, FileDigest.of(data))

    async def delete(self, key: str) -> None:
        """Remove a file."""
        self._check_writable()
        await asyncio.to_thread(self._remove, f"{self._below}/{key}")

    def _remove(self, name: str) -> None:
        if self._folder.is_folder(name):
            for one in list(self._folder.names(name)):
                self._remove(one)
            self._folder.remove_folder(name)
            return
        self._folder.remove(name)
        if self._on_written is not None:
            self._on_written(name, None)

    async def delete_dir(self, prefix: str) -> None:
        """Remove all below a prefix."""
        self._check_writable()
        name = f"{self._below}/{prefix}".rstrip("/")
        await asyncio.to_thread(self._remove, name)

    async def clear(self) -> None:
        """Remove everything."""
        self._check_writable()
        await asyncio.to_thread(self._remove, self._below)

    async def is_empty(self, prefix: str) -> bool:
        """Return whether there is nothing below a prefix."""
        async for _ in self.list_prefix(prefix):
            return False
        return True

    async def list(self) -> AsyncIterator[str]:
        """Yield the name of every file."""
        async for key in self.list_prefix(""):
            yield key

    async def list_prefix(self, prefix: str) -> AsyncIterator[str]:
        """Yield the names of the files that begin with a prefix."""
        start = len(self._below) + 1
        folder = f"{self._below}/{prefix}".rpartition("/")[0]
        for name in await asyncio.to_thread(lambda: list(self._folder.names(folder))):
            if name[start:].startswith(prefix):
                yield name[start:]

    async def list_dir(self, prefix: str) -> AsyncIterator[str]:
        """Yield the names of the files and folders in a folder; in the group's, of its arrays."""
        name = f"{self._below}/{prefix}".rstrip("/")
        for entry in await asyncio.to_thread(self._folder.entries, name):
            # What lost its metadata is no array: it is created again with it.
            below = f"{name}/{entry}"
            if prefix or not self._folder.is_folder(below) or self._is_file(f"{below}/zarr.json"):
                yield entry


def _most_packed(size: int) -> int:
    """Return the most bytes to which zstd packs so many (its ``ZSTD_COMPRESSBOUND``, with room)."""
    return size + (size >> 7) + 1024
