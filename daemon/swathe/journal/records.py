"""Reads the records of a journal file, and resynchronizes after a damaged one.

An MCAP file is a sequence of records, each with an operation code, a length and a body. The
container's own reader trusts the length, so that one corrupt byte in it loses the rest of the file.
Here a chunk must be consistent before its length is trusted; otherwise reading continues at the
next position that holds a consistent chunk.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator
from io import BytesIO
from typing import BinaryIO

from mcap.data_stream import ReadDataStream
from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.records import Channel
from mcap.records import Chunk as McapChunk
from mcap.stream_reader import CRCValidationError, breakup_chunk
from mcap.writer import MCAP0_MAGIC
from zstandard import ZstdError, frame_content_size

__all__ = ["whole_records"]

_HEAD = struct.Struct("<BQ")
# A chunk's body: two times, size and CRC of what it holds, its compression, length of the data.
_COMPRESSION = struct.pack("<I", 4) + b"zstd"
_COMPRESSION_AT = 28
_BODY_HEAD = _COMPRESSION_AT + len(_COMPRESSION) + 8
_KNOWN = frozenset(Opcode)
_FOOTER_BYTES = 20
_SEARCH_BYTES = 1 << 20

# What a corrupt chunk makes the container's own reader raise; zstandard has an error of its own.
_DAMAGE = (McapError, CRCValidationError, EOFError, ValueError, struct.error, ZstdError)


def whole_records(stream: BinaryIO, report: Callable[[str], None]) -> Iterator[object]:
    """Yield channels and messages of every whole chunk, and channels outside the chunks.

    Args:
        stream: a journal file that has at least its magic bytes.
        report: called with a message, which has the byte offset, for what is damaged or cut off.
    """
    size = os.fstat(stream.fileno()).st_size
    at = len(MCAP0_MAGIC)
    while at < size:
        stream.seek(at)
        head = stream.read(_HEAD.size)
        code, length = _HEAD.unpack(head) if len(head) == _HEAD.size else (0, 0)
        end = at + _HEAD.size + length
        whole = code in _KNOWN and end <= size
        body = stream.read(length) if whole else b""
        if code == Opcode.FOOTER and length == _FOOTER_BYTES:
            if stream.read() != MCAP0_MAGIC:
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
                yield from _records_of(body)
            elif code == Opcode.CHANNEL:
                yield Channel.read(ReadDataStream(BytesIO(body)))
        except _DAMAGE as error:
            report(f"a damaged chunk at bytes {at:,} to {end:,} is left out: {error}")
        at = end
    report(f"ends at byte {size:,} without having been closed")


def _records_of(body: bytes) -> list[object]:
    chunk = McapChunk.read(ReadDataStream(BytesIO(body)))
    if frame_content_size(chunk.data) != chunk.uncompressed_size:
        # Checked before so much memory is allocated.
        message = "its size is not the declared one"
        raise ValueError(message)
    return list(breakup_chunk(chunk, validate_crc=True))


def _is_chunk(body: bytes) -> bool:
    """Return whether `body` is that of a zstd chunk whose length agrees with its data's."""
    if body[_COMPRESSION_AT : _BODY_HEAD - 8] != _COMPRESSION:
        return False
    return int.from_bytes(body[_BODY_HEAD - 8 : _BODY_HEAD], "little") == len(body) - _BODY_HEAD


def _next_chunk(stream: BinaryIO, start: int, size: int) -> int | None:
    """Return the offset of the first consistent chunk from `start` on; None without one."""
    lead = _HEAD.size + _COMPRESSION_AT
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
        code, length = _HEAD.unpack(stream.read(_HEAD.size))
        fits = code == Opcode.CHUNK and begin + _HEAD.size + length <= size
        if fits and _is_chunk(stream.read(length)):
            return begin
        at += offset + 1
    return None
