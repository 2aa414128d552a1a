"""Frames between two pairs of bytes, of which the first is sent twice where it is data."""

from collections import Counter
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.doubled import DoubledFramer
from swathe_drivers.frames.start_stop import after_odd
from swathe_drivers.suggest.frame_capture import (
    FEWEST_FRAMES,
    CapturedBytes,
    Framed,
    has_lengths,
    matrix_of,
)

__all__ = ["doubled"]

_USUAL: Final = (0x10, 0x1B, 0x7D, 0x5C)
_COMMON: Final = 6  # most frequent bytes that may be the doubled one
_FEWEST_DOUBLED: Final = 3
_SAME: Final = 0.95
_TAILS: Final = (0, 1, 2, 4)  # bytes of a checksum behind the end
_LONGEST: Final = 2048
_LENGTHS: Final = 8
"""Different lengths that frames of a device have at most, without a field for them."""


def doubled(stream: CapturedBytes) -> Iterator[Framed]:
    """Every byte that is followed by itself, by what begins a frame, and by what ends one."""
    block = np.frombuffer(stream.data, np.uint8)
    common = [byte for byte, _ in Counter(stream.data).most_common(_COMMON)]
    for byte in dict.fromkeys((*_USUAL, *common)):
        if stream.data.count(byte) < 2 * FEWEST_FRAMES:
            continue
        yield from _around(stream, block, byte)


def _around(stream: CapturedBytes, block: NDArray[np.uint8], byte: int) -> Iterator[Framed]:
    last_of_odd = (block[:-1] == byte) & ~after_odd(block, byte, before=False)[:-1]
    places = np.flatnonzero(last_of_odd)
    behind = block[places + 1]
    counts = Counter(behind.tolist())
    twice = counts.pop(byte, 0)
    ends = [value for value, number in counts.most_common(2) if number >= FEWEST_FRAMES]
    if twice < _FEWEST_DOUBLED or len(ends) < 2:
        return  # without a doubled byte nothing shows that it would be doubled
    if abs(counts[ends[0]] - counts[ends[1]]) > 2 + 0.05 * counts[ends[0]]:
        return
    if counts[ends[0]] + counts[ends[1]] < _SAME * counts.total():
        return
    for start, stop in (ends, ends[::-1]):
        gaps = _behind_stops(places, behind, start, stop)
        if not gaps:
            continue
        tail, number = gaps.most_common(1)[0]
        if tail in _TAILS and number >= _SAME * gaps.total():
            yield from _cut(stream, (byte, start, stop), tail)


def _behind_stops(
    places: NDArray[np.int64], behind: NDArray[np.uint8], start: int, stop: int
) -> Counter[int]:
    """How often so many bytes are from the end of a frame to the beginning of the next."""
    is_mark = (behind == start) | (behind == stop)
    at, is_start = places[is_mark], (behind == start)[is_mark]
    between = ~is_start[:-1] & is_start[1:]
    return Counter((at[1:] - at[:-1] - 2)[between].tolist())


def _cut(stream: CapturedBytes, ends: tuple[int, int, int], tail: int) -> Iterator[Framed]:
    byte, start, stop = ends
    data = stream.data
    table: dict[str, Any] = {"kind": "doubled", "byte": byte, "start": start, "stop": stop}
    for covered in (True, False) if tail else (True,):
        framer = DoubledFramer(
            byte=byte,
            start=start,
            stop=stop,
            tail=tail,
            stop_covered=covered,
            max_length=_LONGEST,
            ns_per_byte=0,
        )
        found = framer.feed_chunks([(0, data)])
        if found is None:
            return
        block, lengths = found.contents.block, found.contents.lengths
        good = [row for row in range(lengths.size) if row not in found.contents.bad]
        frames = [
            block[first : first + length].tobytes()
            for first, length in zip(
                found.contents.starts[good].tolist(), lengths[good].tolist(), strict=True
            )
        ]
        # A checksum behind that is the doubled byte stands before the next frame's: nothing is doubled there.
        extra = tail + covered if tail else 0
        twice = sum(frame[: len(frame) - extra].count(byte) for frame in frames)
        if twice < _FEWEST_DOUBLED:
            return
        why = (
            f"{len(frames)} frames between {byte:02X} {start:02X} and {byte:02X} {stop:02X}; within"
            f" them {byte:02X} is sent twice, {twice} times"
        )
        offsets = found.offsets[good].tolist()
        matrix = matrix_of(frames, offsets)
        often = Counter(map(len, frames))
        rare = sum(number for number in often.values() if number < 3)
        if matrix is None or len(often) > _LENGTHS + rare:
            continue
        rows, where, others = matrix
        behind = {"checksum_behind": True} if tail else {}
        behind |= {} if covered else {"stop_covered": False}
        share = int(found.sizes[good].sum()) / len(data)
        yield Framed(
            table=table | behind,
            rows=rows,
            offsets=where,
            first=0,
            share=share,
            why=why,
            varying=others,
            rank=4.0 if twice > 8 else 3.0,
            behind=tail,
            every=tuple(zip(offsets, frames, strict=True)) if others or has_lengths(frames) else (),
        )
