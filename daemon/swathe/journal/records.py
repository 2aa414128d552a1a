"""The records of a journal file, found again behind a damaged one.

An MCAP file is a row of records, each with an operation code, a length and a body. The container's
own reader trusts the length, so that one rotten byte in it would cost the rest of the night. Here
a chunk must agree with itself before its length is trusted; when it does not, the next place that
looks like a chunk of ours, and agrees with itself, is where reading goes on.
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

# What a rotten chunk makes the container's own reader raise; zstandard's error is its own.
_DAMAGE = (McapError, CRCValidationError, EOFError, ValueError, struct.error, ZstdError)


def whole_records(stream: BinaryIO, report: Callable[[str], None]) -> Iterator[object]:
    """Yield channels and messages of every whole chunk, and channels that stand beside them.

    Args:
        stream: a journal file of which at least the magic bytes are there.
        report: called for what is damaged or cut off, with its offset.
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
            found = _next_chunk(stream, at + 1, size)
            if found is None:
                report(f"ends in mid-chunk at byte {at:,}: {size - at:,} bytes are left out")
                return
            report(f"a damaged chunk at bytes {at:,} to {found:,} is left out")
            at = found
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
        # Found out before so much memory is asked for.
        msg = "its size is not what it says"
        raise ValueError(msg)
    return list(breakup_chunk(chunk, validate_crc=True))


def _is_chunk(body: bytes) -> bool:
    """Return whether `body` is that of a chunk of ours, whose length agrees with its data's."""
    if body[_COMPRESSION_AT : _BODY_HEAD - 8] != _COMPRESSION:
        return False
    return int.from_bytes(body[_BODY_HEAD - 8 : _BODY_HEAD], "little") == len(body) - _BODY_HEAD


def _next_chunk(stream: BinaryIO, start: int, size: int) -> int | None:
    """Return where the next chunk that agrees with itself begins, from `start` on."""
    lead = _HEAD.size + _COMPRESSION_AT
    at = start + lead
    while at < size:
        stream.seek(at)
        block = stream.read(_SEARCH_BYTES + len(_COMPRESSION) - 1)
        found = block.find(_COMPRESSION)
        if found < 0:
            at += _SEARCH_BYTES
            continue
        begins = at + found - lead
        stream.seek(begins)
        code, length = _HEAD.unpack(stream.read(_HEAD.size))
        fits = code == Opcode.CHUNK and begins + _HEAD.size + length <= size
        if fits and _is_chunk(stream.read(length)):
            return begins
        at += found + 1
    return None
