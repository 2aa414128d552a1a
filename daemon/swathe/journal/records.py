"""Reads the records of a journal file, and resynchronizes after a damaged one.

An MCAP file is a sequence of records, each with an operation code, a length and a body. The
container's own reader trusts the length, so that one corrupt byte in it loses the rest of the file.
Here a chunk must be consistent before its length is trusted; otherwise reading continues at the
next position that holds a consistent chunk.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Callable, Iterator
from typing import BinaryIO, NamedTuple, TypeVar

from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.writer import MCAP0_MAGIC
from zstandard import ZstdDecompressor, ZstdError, frame_content_size

from swathe.journal.identity import ATTACHMENT, SegmentIdentity

__all__ = ["FIRST_RECORD", "RECORD_HEAD", "BadBytes", "identities", "whole_blocks"]

Decoded = TypeVar("Decoded")

RECORD_HEAD = struct.Struct("<BQ")
"""Head of a record: its operation code and the length of its body."""

FIRST_RECORD = len(MCAP0_MAGIC)
"""Offset of a file's first record."""

# A chunk's body: two times, size and CRC of what it holds, its compression, length of the data.
_CHUNK_HEAD = struct.Struct("<QQQI8sQ")
_COMPRESSION = struct.pack("<I", 4) + b"zstd"
_COMPRESSION_AT = 28
# An attachment: two times, then its name with its length.
_NAME = struct.pack("<I", len(ATTACHMENT)) + ATTACHMENT.encode()
_NAME_AT = 16
_KNOWN = frozenset(Opcode)
_FOOTER_BYTES = 20
_MOST_BYTES = 1 << 28
_SEARCH_BYTES = 1 << 20

# What a corrupt chunk makes the decoding raise; zstandard has an error of its own.
_DAMAGE = (McapError, EOFError, ValueError, struct.error, ZstdError)


class BadBytes(NamedTuple):
    """A stretch of a journal file that makes no record.

    Attributes:
        begin: first byte, and
        end: byte behind the last one.
        text: for people, with the byte offset.
        torn: whether a crash explains it: the file ends there.
    """

    begin: int
    end: int
    text: str
    torn: bool = False


Report = Callable[[BadBytes], None]


def whole_blocks(
    stream: BinaryIO,
    decode: Callable[[bytes], Decoded],
    report: Report,
    *,
    learn: Callable[[bytes], None] | None = None,
    on_identity: Callable[[SegmentIdentity], None] | None = None,
    start: int = FIRST_RECORD,
    growing: bool = False,
) -> Iterator[tuple[int, Decoded]]:
    """Yield what each whole chunk holds, with the offset behind it in the file.

    Args:
        stream: a journal file.
        decode: decodes the records of a chunk; a ValueError means that the chunk is damaged.
        report: called for what is damaged or cut off.
        learn: called with each channel record outside the chunks.
        on_identity: called with each attachment that identifies the file.
        start: offset of a record, to begin with.
        growing: whether the file is being written: its end is then neither cut off nor damaged.
    """
    decompressor = ZstdDecompressor()
    for code, begin, end, record in _whole_records(stream, report, start, growing=growing):
        try:
            if code == Opcode.CHUNK:
                yield end, decode(_uncompressed(record[RECORD_HEAD.size :], decompressor))
            elif code == Opcode.CHANNEL and learn is not None:
                learn(record)
            elif code == Opcode.ATTACHMENT and on_identity is not None:
                identity = SegmentIdentity.of_attachment(record[RECORD_HEAD.size :])
                if identity is not None:
                    on_identity(identity)
        except _DAMAGE as error:
            what = "a damaged chunk" if code == Opcode.CHUNK else "a damaged record"
            text = f"{what} at bytes {begin:,} to {end:,} is left out: {error}"
            report(BadBytes(begin, end, text))


def identities(stream: BinaryIO, start: int = FIRST_RECORD) -> Iterator[SegmentIdentity]:
    """Yield each attachment that identifies a journal file, from a record on.

    What is damaged is passed over.
    """
    for code, _, _, record in _whole_records(stream, _ignore, start, growing=False):
        if code == Opcode.ATTACHMENT:
            try:
                identity = SegmentIdentity.of_attachment(record[RECORD_HEAD.size :])
            except ValueError:
                continue
            if identity is not None:
                yield identity


def _whole_records(
    stream: BinaryIO, report: Report, start: int, *, growing: bool
) -> Iterator[tuple[int, int, int, bytes]]:
    """Yield operation code, first byte, end and bytes of each record that may be whole."""
    size = stream.seek(0, os.SEEK_END)
    at = start
    while at < size:
        stream.seek(at)
        head = stream.read(RECORD_HEAD.size)
        code, length = RECORD_HEAD.unpack(head) if len(head) == RECORD_HEAD.size else (0, 0)
        end = at + RECORD_HEAD.size + length
        if growing and (not code or end > size):
            return
        whole = code in _KNOWN and end <= size
        body = stream.read(length) if whole else b""
        if code == Opcode.FOOTER and length == _FOOTER_BYTES:
            if stream.read() != MCAP0_MAGIC and not growing:
                text = f"is cut off in its last bytes, after byte {end:,}"
                report(BadBytes(end, size, text, torn=True))
            return
        if not whole or (code == Opcode.CHUNK) is not _is_chunk(body):
            begin = _next_record(stream, at + 1, size)
            if begin is None:
                text = f"ends in mid-chunk at byte {at:,}: {size - at:,} bytes are left out"
                report(BadBytes(at, size, text, torn=not _is_closed(stream, size)))
                return
            report(BadBytes(at, begin, f"a damaged chunk at bytes {at:,} to {begin:,} is left out"))
            at = begin
            continue
        yield code, at, end, head + body
        at = end
    if not growing:
        text = f"ends at byte {size:,} without having been closed"
        report(BadBytes(size, size, text, torn=True))


def _ignore(_bad: BadBytes) -> None:
    return None


def _is_closed(stream: BinaryIO, size: int) -> bool:
    """Return whether a file ends as one that was closed does."""
    stream.seek(max(size - len(MCAP0_MAGIC), 0))
    return stream.read() == MCAP0_MAGIC


def _uncompressed(body: bytes, decompressor: ZstdDecompressor) -> bytes:
    """Return the records of a chunk."""
    _, _, size, crc, _, _ = _CHUNK_HEAD.unpack_from(body)
    data = memoryview(body)[_CHUNK_HEAD.size :]
    if size > _MOST_BYTES:
        message = "it is too large for a chunk of a journal"
        raise ValueError(message)
    if frame_content_size(data) != size:
        # Checked before so much memory is allocated.
        message = "its size is not the declared one"
        raise ValueError(message)
    block = decompressor.decompress(data)
    if zlib.crc32(block) != crc:
        message = "its checksum is not that of what it holds"
        raise ValueError(message)
    return block


def _is_chunk(body: bytes) -> bool:
    """Return whether `body` is that of a zstd chunk whose length agrees with its data's."""
    if len(body) < _CHUNK_HEAD.size:
        return False
    _, _, _, _, compression, length = _CHUNK_HEAD.unpack_from(body)
    return bool(compression == _COMPRESSION and length == len(body) - _CHUNK_HEAD.size)


def _is_identity(body: bytes) -> bool:
    """Return whether `body` is that of an attachment that identifies the file."""
    try:
        return SegmentIdentity.of_attachment(body) is not None
    except ValueError:
        return False


def _next_record(stream: BinaryIO, start: int, size: int) -> int | None:
    """Return the offset of the first consistent chunk or identity from `start` on; None without."""
    chunk = _next_with(stream, start, size, Opcode.CHUNK, _COMPRESSION_AT, _COMPRESSION, _is_chunk)
    end = size if chunk is None else chunk
    identity = _next_with(stream, start, end, Opcode.ATTACHMENT, _NAME_AT, _NAME, _is_identity)
    return chunk if identity is None else identity


def _next_with(
    stream: BinaryIO,
    start: int,
    size: int,
    opcode: int,
    mark_at: int,
    mark: bytes,
    fits: Callable[[bytes], bool],
) -> int | None:
    """Return the offset of the first record from `start` on that has a mark and fits."""
    lead = RECORD_HEAD.size + mark_at
    at = start + lead
    while at < size:
        stream.seek(at)
        block = stream.read(min(_SEARCH_BYTES + len(mark) - 1, size - at))
        offset = block.find(mark)
        if offset < 0:
            at += _SEARCH_BYTES
            continue
        begin = at + offset - lead
        stream.seek(begin)
        code, length = RECORD_HEAD.unpack(stream.read(RECORD_HEAD.size))
        inside = code == opcode and begin + RECORD_HEAD.size + length <= size
        if inside and fits(stream.read(length)):
            return begin
        at += offset + 1
    return None
