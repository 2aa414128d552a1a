"""Frames between a start and a stop byte, and how these are escaped within."""

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

from swathe_drivers.suggest.frame_capture import (
    FEWEST_FRAMES,
    CapturedBytes,
    Framed,
    has_lengths,
    matrix_of,
)

__all__ = ["escapes_of", "start_stop", "unescaped"]

_LENGTHS: Final = 8
"""Different lengths that frames of a device have at most, without a field for them."""
_USUAL_ENDS: Final = frozenset((0x7E, 0x7F, 0xC0, 0xAA, 0x55, 0xFF, 0x0D))
_USUAL_ESCAPES: Final = (0x10, 0x7D, 0x1B, 0xDB, 0x5C)
_FEWEST_ESCAPED: Final = 3


def start_stop(stream: CapturedBytes) -> Iterator[Framed]:
    """Every pair of bytes, or single one, between which nearly all bytes are."""
    data = stream.data
    counts = Counter(data)
    usual = [byte for byte, number in counts.most_common(16) if number >= FEWEST_FRAMES]
    for start in usual:
        for stop in usual:
            # What never occurs within frames comes as often as its partner.
            if abs(counts[start] - counts[stop]) <= 2 + 0.05 * counts[start]:
                yield from _between(data, start, stop, counts)


def escapes_of(pieces: Sequence[bytes], escape: int, ends: set[int]) -> list[int]:
    """What the byte behind an escape byte may have been xored with, the usual ones first.

    Args:
        pieces: what is between the ends of frames, as sent.
        escape: the byte that may be one.
        ends: bytes at the ends of frames, which are in no piece.
    """
    behind = Counter(b for piece in pieces for a, b in pairwise(piece) if a == escape)
    last = bytes([escape])
    if behind.total() < _FEWEST_ESCAPED or any(piece[-1:] == last for piece in pieces[:-1]):
        return []
    often, _ = behind.most_common(1)[0]
    found = []
    for xor in sorted({often ^ meant for meant in (*ends, escape)}):
        wanted = {byte ^ xor for byte in {*ends, escape}}
        if not xor or wanted & ends:
            continue
        if sum(behind[byte] for byte in wanted) >= 0.98 * behind.total():
            found.append(xor)
    # One bit is usual; the same few bytes may be met by another number as well.
    return sorted(found, key=lambda xor: xor.bit_count() > 1)


def unescaped(piece: bytes, escape: int, xor: int) -> bytes:
    """The bytes as they were before they were escaped."""
    out = bytearray()
    escaped = False
    for byte in piece:
        if escaped:
            out.append(byte ^ xor)
            escaped = False
        elif byte == escape:
            escaped = True
        else:
            out.append(byte)
    return bytes(out)


def _pieces(data: bytes, start: int, stop: int) -> tuple[list[bytes], list[int]]:
    """What is between both bytes, and where each start byte is."""
    mark, ends = bytes([start]), bytes([stop])
    raw, offsets = [], []
    at = data.find(mark)
    while at >= 0:
        end = data.find(ends, at + 1)
        if end < 0:
            break
        if end > at + 1:
            again = data.rfind(mark, at + 1, end)
            at = max(at, again)
            raw.append(data[at + 1 : end])
            offsets.append(at)
        at = end if start == stop else data.find(mark, end + 1)
    return raw, offsets


def _between(data: bytes, start: int, stop: int, counts: Counter[int]) -> Iterator[Framed]:
    if start == 0xC0 and stop == 0xC0:
        return
    raw, offsets = _pieces(data, start, stop)
    if len(raw) < FEWEST_FRAMES:
        return
    taken = sum(len(piece) + 2 - (start == stop) for piece in raw)
    if taken < 0.9 * len(data):
        return
    table: dict[str, Any] = {"kind": "start_stop", "start": start, "stop": stop}
    common = [byte for byte, _ in counts.most_common(6)]
    partners = sorted({*range(max(0, start - 2), min(255, start + 2) + 1)} - {start, stop})
    for escape in dict.fromkeys((*_USUAL_ESCAPES, *partners, *common)):
        if escape in (start, stop):
            continue
        for place, xor in enumerate(escapes_of(raw, escape, {start, stop})):
            frames = [unescaped(piece, escape, xor) for piece in raw]
            behind = {b for piece in raw for a, b in pairwise(piece) if a == escape}
            number = sum(piece.count(escape) for piece in raw)
            why = (
                f"{len(raw)} frames between {start:02X} and {stop:02X}; within them {escape:02X} is"
                f" followed by {', '.join(f'{byte:02X}' for byte in sorted(behind))} only,"
                f" {number} times"
            )
            escaped = table | {"escape": escape, "xor": xor}
            rank = (3.0 if number > 8 else 2.0) - 0.1 * place
            yield from _framed(escaped, frames, offsets, data, why, rank)
    joined = b"".join(raw)
    if start in joined or stop in joined:
        return
    why = f"{len(raw)} frames between {start:02X} and {stop:02X}"
    rank = 0.0 if start != stop or start in _USUAL_ENDS else -1.0
    yield from _framed(table, raw, offsets, data, why, rank)


def _framed(
    table: dict[str, Any],
    frames: Sequence[bytes],
    offsets: Sequence[int],
    data: bytes,
    why: str,
    rank: float,
) -> Iterator[Framed]:
    found = matrix_of(frames, offsets)
    often = Counter(map(len, frames))
    rare = sum(number for number in often.values() if number < 3)
    if found is None or len(often) > (_LENGTHS + rare if "escape" in table else 3 + rare):
        return
    rows, where, others = found
    every = tuple(zip(offsets, frames, strict=True)) if others or has_lengths(frames) else ()
    share = (
        sum(map(len, frames)) / len(data) if others and "escape" in table else rows.size / len(data)
    )
    yield Framed(table, rows, where, 0, share, why, others, rank=rank, every=every)
