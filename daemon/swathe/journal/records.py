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
from typing import BinaryIO, TypeVar

from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.writer import MCAP0_MAGIC
from zstandard import ZstdDecompressor, ZstdError, frame_content_size

__all__ = ["FIRST_RECORD", "RECORD_HEAD", "whole_blocks"]

Decoded = TypeVar("Decoded")

RECORD_HEAD = struct.Struct("<BQ")
"""Head of a record: its operation code and the length of its body."""

FIRST_RECORD = len(MCAP0_MAGIC)
"""Offset of a file's first record."""

# A chunk's body: two times, size and CRC of what it holds, its compression, length of the data.
_CHUNK_HEAD = struct.Struct("<QQQI8sQ")
_COMPRESSION = struct.pack("<I", 4) + b"zstd"
_COMPRESSION_AT = 28
_KNOWN = frozenset(Opcode)
_FOOTER_BYTES = 20
_SEARCH_BYTES = 1 << 20

# What a corrupt chunk makes the decoding raise; zstandard has an error of its own.
_DAMAGE = (McapError, EOFError, ValueError, struct.error, ZstdError)


def whole_blocks(
    stream: BinaryIO,
    decode: Callable[[bytes], Decoded],
    report: Callable[[str], None],
    *,
    start: int = FIRST_RECORD,
    growing: bool = False,
) -> Iterator[tuple[int, Decoded]]:
    """Yield what each whole block of records holds, with the offset behind it in the file.

    A block is what a chunk holds, or a channel record outside the chunks.

    Args:
        stream: a journal file that has at least its magic bytes.
        decode: decodes the records of a block; a ValueError means that the block is damaged.
        report: called with a message, which has the byte offset, for what is damaged or cut off.
        start: offset of a record, to begin with.
        growing: whether the file is being written: its end is then neither cut off nor damaged.
    """
    size = os.fstat(stream.fileno()).st_size
    decompressor = ZstdDecompressor()
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
                report(f"is cut off in its last bytes, after byte {end:,}")
            return
        if not whole or (code == Opcode.CHUNK) is not _is_chunk(body):
            begin = _next_chunk(stream, at + 1, size)
            if begin is None:
                report(f"ends in mid-chunk at byte {at:,}: {size - at:,} bytes are left out")
                return
            report(f"a damaged chunk at bytes {at:,} to {begin:,} is left out")
            at = begin
            continue
        try:
            if code == Opcode.CHUNK:
                yield end, decode(_uncompressed(body, decompressor))
            elif code == Opcode.CHANNEL:
                yield end, decode(head + body)
        except _DAMAGE as error:
            report(f"a damaged chunk at bytes {at:,} to {end:,} is left out: {error}")
        at = end
    if not growing:
        report(f"ends at byte {size:,} without having been closed")


def _uncompressed(body: bytes, decompressor: ZstdDecompressor) -> bytes:
    """Return the records of a chunk."""
    _, _, size, crc, _, _ = _CHUNK_HEAD.unpack_from(body)
    data = memoryview(body)[_CHUNK_HEAD.size :]
    if frame_content_size(data) != size:
        # Checked before so much memory is allocated.
        message = "its size is not the declared one"
        raise ValueError(message)
    block = decompressor.decompress(data)
    if crc and zlib.crc32(block) != crc:
        message = "its checksum is not that of what it holds"
        raise ValueError(message)
    return block


def _is_chunk(body: bytes) -> bool:
    """Return whether `body` is that of a zstd chunk whose length agrees with its data's."""
    if len(body) < _CHUNK_HEAD.size:
        return False
    _, _, _, _, compression, length = _CHUNK_HEAD.unpack_from(body)
    return bool(compression == _COMPRESSION and length == len(body) - _CHUNK_HEAD.size)


def _next_chunk(stream: BinaryIO, start: int, size: int) -> int | None:
    """Return the offset of the first consistent chunk from `start` on; None without one."""
    lead = RECORD_HEAD.size + _COMPRESSION_AT
    at = start + lead
    while at < size:
        stream.seek(at)
        block = stream.read(_SEARCH_BYTES + len(_COMPRESSION) - 1)
        offset = block.find(_COMPRESSION)
        if offset < 0:
            at += _SEARCH_BYTES
            continue
        begin = at + offset - lead
        stream.seek(begin)
        code, length = RECORD_HEAD.unpack(stream.read(RECORD_HEAD.size))
        fits = code == Opcode.CHUNK and begin + RECORD_HEAD.size + length <= size
        if fits and _is_chunk(stream.read(length)):
            return begin
        at += offset + 1
    return None
