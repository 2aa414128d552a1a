"""Lines out of a stream of bytes that is cut anywhere; no input or output.

A line's time is that of its first byte's beginning; see `swathe_drivers.arrival`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.arrival import Arrivals
from swathe_drivers.records import MAX_EXCERPT

MAX_TERMINATOR: Final = 4
"""The most bytes that an end of line may have."""

_NO_INTS: Final = np.empty(0, np.int64)
_BLANKS: Final = b" \t\r\n"


@dataclass(frozen=True, slots=True, eq=False)
class Overlong:
    """A line that passed the longest allowed length: where it began and its first bytes."""

    offset: int
    excerpt: bytes


@dataclass(frozen=True, slots=True, eq=False)
class Severed:
    """The first line behind a rest that was cut off: where it began, its length and first bytes."""

    offset: int
    length: int
    excerpt: bytes


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Lines:
    """The complete, non-empty lines that a chunk brought.

    Attributes:
        data: the bytes that the lines are in; `block` is the same as uint8.
        starts: index in `data` of each line's first byte, shape (n,).
        lengths: bytes of each line without its terminator, shape (n,), all >= 1.
        offsets: offset of each line in the port's stream, shape (n,).
        times: time at which each line's first byte began, ns, never falling, shape (n,).
        known: arrival of the chunk that ended each line, ns, shape (n,).
        overlong: lines found to be too long in this chunk.
        severed: what came behind a rest that was cut off, up to the next terminator; see `LineFramer.cut`.
        dropped_bytes: bytes of too long and severed lines dropped in this chunk, terminators included.
        empty_bytes: terminators of empty lines.
    """

    data: bytearray
    block: NDArray[np.uint8]
    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]
    offsets: NDArray[np.int64]
    times: NDArray[np.int64]
    known: NDArray[np.int64]
    overlong: tuple[Overlong, ...] = ()
    severed: Severed | None = None
    dropped_bytes: int = 0
    empty_bytes: int = 0

    def only(self, rows: NDArray[np.int64]) -> "Lines":
        """Return some of the lines, by their numbers, without what became of other bytes."""
        return replace(
            self,
            starts=self.starts[rows],
            lengths=self.lengths[rows],
            offsets=self.offsets[rows],
            times=self.times[rows],
            known=self.known[rows],
            overlong=(),
            severed=None,
            dropped_bytes=0,
            empty_bytes=0,
        )


def _no_lines(overlong: tuple[Overlong, ...], dropped_bytes: int) -> Lines:
    return Lines(
        data=bytearray(),
        block=np.empty(0, np.uint8),
        starts=_NO_INTS,
        lengths=_NO_INTS,
        offsets=_NO_INTS,
        times=_NO_INTS,
        known=_NO_INTS,
        overlong=overlong,
        dropped_bytes=dropped_bytes,
    )


NO_LINES: Final = _no_lines((), 0)
"""What a chunk without an end of line gives."""


class LineFramer:
    """Cuts one port's stream into lines.

    Holds at most `max_length` plus a terminator between two calls. A line with more than
    `max_length` bytes before its terminator is reported once and dropped up to and with the
    next terminator. The result does not depend on how the stream is cut into chunks, times
    apart.
    """

    def __init__(
        self,
        *,
        terminator: bytes = b"\r\n",
        tail: int = 0,
        max_length: int = 4096,
        ns_per_byte: int = 0,
        offset: int = 0,
        prompt: bytes = b"",
    ) -> None:
        """Begin at byte `offset` of the stream; `tail` bytes of any value follow a terminator.

        A `prompt` before a line is left out, as often as it is there.

        Raises:
            ValueError: the terminator has not 1 to 4 bytes, or a number is out of range;
                check the settings before they get here.
        """
        if not 1 <= len(terminator) <= MAX_TERMINATOR:
            message = f"'terminator' must have 1 to {MAX_TERMINATOR} bytes (got {terminator!r})"
            raise ValueError(message)
        if max_length < 1:
            message = f"'max_length' must be >= 1 (got {max_length!r})"
            raise ValueError(message)
        self._arrivals = Arrivals(ns_per_byte=ns_per_byte, offset=offset)
        self._terminator = terminator
        self._width = len(terminator) + tail  # of all that ends a line
        self._overlaps = (
            tail > 0
            or any(  # where one begins, the next may begin within it
                terminator[at:] == terminator[: len(terminator) - at]
                for at in range(1, len(terminator))
            )
        )
        self._max_length = max_length
        self._prompt = prompt
        self._max_excerpt = min(MAX_EXCERPT, max_length)  # never bytes of the line behind
        self._buffer = bytearray()
        self._searched = 0  # no terminator begins before this index of the buffer
        self._offset = offset  # of the buffer's first byte
        self._skipping = False  # the buffer is the tail of a line already reported as too long
        self._severed = False  # the buffer may be the tail of a line whose beginning was cut off

    @property
    def pending(self) -> int:
        """Bytes held that are not yet a line nor dropped."""
        return len(self._buffer)

    @property
    def offset(self) -> int:
        """Offset in the stream of the next byte to come."""
        return self._offset + len(self._buffer)

    def feed(self, data: bytes, time_ns: int) -> Lines:
        """Take one chunk, which arrived at `time_ns`; see `feed_chunks`."""
        return self.feed_chunks([(time_ns, data)])

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Lines:
        """Take the next chunks, each with the time of its arrival, and give complete lines.

        Takes time proportional to the bytes given (plus at most `max_length`). Raises nothing.
        """
        buffer = self._buffer
        self._arrivals.forget(self.offset)
        self._arrivals.note(chunks)
        for _, data in chunks:
            buffer += data
        width = self._width
        first = buffer.find(self._terminator, self._searched)
        if first < 0 or first + width > len(buffer):
            self._searched = max(0, len(buffer) - width + 1) if first < 0 else first
            newly, dropped = self._drop_overlong()
            return _no_lines(newly, dropped) if newly or dropped else NO_LINES

        block = np.frombuffer(buffer, np.uint8)
        ends = self._find_ends(block)
        starts = np.empty_like(ends)
        starts[0] = 0
        np.add(ends[:-1], width, out=starts[1:])
        rest = int(ends[-1]) + width
        base = self._offset

        overlong: tuple[Overlong, ...] = ()
        dropped_bytes = empty_bytes = 0
        lengths = ends - starts
        severed: Severed | None = None
        if self._severed and not self._skipping and lengths[0] <= self._max_length:
            line = bytes(buffer[: int(ends[0])])
            if not self._may_begin_any(line):
                severed = Severed(base, len(line), line[:MAX_EXCERPT])
            self._skipping = True
        drop_first = self._skipping
        if drop_first or lengths.max() > self._max_length or not lengths.all():
            keep = (lengths > 0) & (lengths <= self._max_length)
            too_long = lengths > self._max_length
            if drop_first:
                dropped_bytes += int(ends[0]) + width
                keep[0] = too_long[0] = False
            overlong = tuple(
                Overlong(base + int(start), bytes(buffer[start : start + self._max_excerpt]))
                for start in starts[too_long]
            )
            dropped_bytes += int((lengths[too_long] + width).sum())
            empty_bytes = width * int(np.count_nonzero(lengths[int(drop_first) :] == 0))
            starts, lengths = starts[keep], lengths[keep]
        if self._prompt:
            starts, lengths, left_out = self._without_prompts(block, starts, lengths)
            empty_bytes += left_out
        # Of the lines that are kept alone: how much of a dropped one is still here depends on
        # how the stream is cut.
        times = known = _NO_INTS
        if starts.size:
            sizes = lengths + width
            behind = starts + sizes + base
            times, known = self._arrivals.begins(behind, sizes), self._arrivals.known(behind)

        # The old buffer now belongs to the lines; a new one takes the rest.
        self._buffer = buffer[rest:]
        self._offset += rest
        self._searched = (
            0 if width > len(self._terminator) else max(0, len(self._buffer) - width + 1)
        )
        self._skipping = self._severed = False
        last_overlong, last_dropped = self._drop_overlong()
        return Lines(
            data=buffer,
            block=block,
            starts=starts,
            lengths=lengths,
            offsets=starts + base,
            times=times,
            known=known,
            overlong=overlong + last_overlong,
            severed=severed,
            dropped_bytes=dropped_bytes + last_dropped,
            empty_bytes=empty_bytes,
        )

    def reset(self, offset: int) -> tuple[int, bytes, bool]:
        """Drop what is pending; the stream continues at byte `offset`.

        Returns:
            Offset of the dropped bytes, the bytes, and whether they are the tail of a line
            that was already reported as too long.
        """
        dropped = (self._offset, bytes(self._buffer), self._skipping)
        self._buffer = bytearray()
        self._offset = offset
        self._searched = 0
        self._skipping = self._severed = False
        self._arrivals.reset(offset)
        return dropped

    def cut(self) -> tuple[int, bytes]:
        """Cut off the line that has only begun; return its offset and bytes, none where nothing is to be.

        What follows it up to the next terminator may be the rest of it as well as the beginning of
        another line, so that is none, either: see `Lines.severed`. Prompts and blanks are no beginning.
        """
        rest = bytes(self._buffer)
        if self._skipping or self._may_begin_any(rest):
            return self._offset, b""
        dropped = self._offset, rest
        self._buffer = bytearray()
        self._offset += len(rest)
        self._searched = 0
        self._severed = True
        return dropped

    def _may_begin_any(self, line: bytes) -> bool:
        """Whether any line may begin so: with prompts, blanks and what is left of an end of line."""
        while self._prompt and line.startswith(self._prompt):
            line = line[len(self._prompt) :]
        return not line.strip(_BLANKS) or self._prompt.startswith(line)

    def _without_prompts(
        self, block: NDArray[np.uint8], starts: NDArray[np.int64], lengths: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
        """Return lines without the prompts before them, and how many bytes are left out with that."""
        before = int(lengths.sum())
        size = len(self._prompt)
        while True:
            has = lengths >= size
            for place, byte in enumerate(self._prompt):
                has &= block.take(starts + place, mode="clip") == byte
            if not has.any():
                break
            starts, lengths = starts + size * has, lengths - size * has
        left_out = before - int(lengths.sum())
        keep = lengths > 0
        empty = self._width * int(np.count_nonzero(~keep))
        return starts[keep], lengths[keep], left_out + empty

    def _find_ends(self, block: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Indices at which a terminator begins, leftmost first, not overlapping."""
        terminator, width = self._terminator, len(self._terminator)
        # A terminator is looked for by its last byte, then the others are compared there only.
        first = self._searched + width - 1
        ends = np.flatnonzero(block[first:] == terminator[-1]) + self._searched
        for index in range(width - 1):
            same = block[ends + index] == terminator[index]
            if not same.all():
                ends = ends[same]
        if self._overlaps and ends.size > 1 and int(np.diff(ends).min()) < self._width:
            kept = []
            free = -1
            for end in ends.tolist():
                if end >= free:
                    kept.append(end)
                    free = end + self._width
            ends = np.array(kept, np.int64)
        if self._width > width:  # of the last one not all may be here
            ends = ends[ends + self._width <= block.size]
        return ends.astype(np.int64, copy=False)

    def _drop_overlong(self) -> tuple[tuple[Overlong, ...], int]:
        """Bound the buffer when it holds no terminator."""
        buffer, keep = self._buffer, self._width - 1
        # With `keep` more bytes than the limit the terminator may still be half here.
        if not self._skipping and len(buffer) <= self._max_length + keep:
            return (), 0
        overlong: tuple[Overlong, ...] = ()
        if not self._skipping:
            overlong = (Overlong(self._offset, bytes(buffer[: self._max_excerpt])),)
            self._skipping = True
        dropped = max(0, len(buffer) - keep)
        del buffer[:dropped]
        self._offset += dropped
        self._searched = 0
        return overlong, dropped
