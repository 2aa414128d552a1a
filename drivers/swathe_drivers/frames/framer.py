"""What all ways of framing share: the buffer, the times, the account of other bytes."""

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.arrival import Arrivals
from swathe_drivers.frames.ledger import Ledger
from swathe_drivers.records import MAX_EXCERPT, Fault, FaultReason

NO_INTS: Final = np.empty(0, np.int64)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Found:
    """Frames in the buffer.

    Attributes:
        starts: index of each frame's first byte, rising, shape (n,).
        sizes: bytes of each, as on the line, shape (n,).
        stride: `starts[i + 1] - starts[i]`, where all `sizes` are the same and so is this.
        decided: index behind the byte without which each was not known to be a frame, never
            falling, shape (n,); None: that behind its own last byte.
    """

    starts: NDArray[np.int64] = field(default_factory=lambda: NO_INTS)
    sizes: NDArray[np.int64] = field(default_factory=lambda: NO_INTS)
    stride: int | None = None
    decided: NDArray[np.int64] | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Contents:
    """What is in the frames, without escape bytes and the like.

    Attributes:
        block: bytes.
        starts: index in `block` of each frame's first byte, shape (n,).
        lengths: bytes of each, shape (n,).
        stride: `starts[i + 1] - starts[i]`, where all `lengths` are the same and so is this.
        bad: frames that can't be read, and why.
    """

    block: NDArray[np.uint8]
    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]
    stride: int | None = None
    bad: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Frames:
    """The complete frames that a chunk brought, and what became of the bytes between them.

    Attributes:
        contents: of the frames.
        offsets: offset of each frame in the port's stream, shape (n,).
        sizes: bytes of each, as on the line, shape (n,).
        times: time at which each frame's first byte began, ns, never falling, shape (n,).
        known: arrival of the chunk with which each was known to be a frame, ns, shape (n,).
        faults: the newest faults between frames.
        counts: how many faults between frames of each reason.
        fault_bytes: bytes of faults between frames.
        ignored_bytes: bytes between frames that mean nothing and are no fault.
    """

    contents: Contents
    offsets: NDArray[np.int64]
    sizes: NDArray[np.int64]
    times: NDArray[np.int64]
    known: NDArray[np.int64]
    faults: Sequence[Fault]
    counts: Counter[FaultReason]
    fault_bytes: int
    ignored_bytes: int

    def only(self, rows: NDArray[np.int64]) -> "Frames":
        """Return some of the frames, by their numbers, without what became of other bytes."""
        found = self.contents
        starts, lengths = found.starts[rows], found.lengths[rows]
        bad = {place: found.bad[row] for place, row in enumerate(rows.tolist()) if row in found.bad}
        return Frames(
            contents=Contents(
                block=found.block,
                starts=starts,
                lengths=lengths,
                stride=even_stride(starts, lengths),
                bad=bad,
            ),
            offsets=self.offsets[rows],
            sizes=self.sizes[rows],
            times=self.times[rows],
            known=self.known[rows],
            faults=(),
            counts=Counter(),
            fault_bytes=0,
            ignored_bytes=0,
        )


class Framer(ABC):
    """Cuts one port's stream into frames.

    Holds at most twice the longest frame between two calls: a fault that is not yet over and
    a frame that is not yet complete. The result does not depend on how the stream is cut into
    chunks, times apart.
    """

    def __init__(self, *, max_length: int, ns_per_byte: int) -> None:
        self._max_length = max_length
        self._arrivals = Arrivals(ns_per_byte=ns_per_byte)
        self._ledger = Ledger(max_length)
        self._buffer = bytearray()
        self._base = 0  # offset of the buffer's first byte
        self._pos = 0  # index in the buffer; what becomes of the bytes before it is decided
        self._need = 1  # bytes in the buffer without which nothing more can be decided
        self._ignored = 0

    @property
    def pending(self) -> int:
        """Bytes held that are not yet a frame nor counted as a fault."""
        return len(self._buffer)

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Frames | None:
        """Take the next chunks, each with the time of its arrival; None if they decide nothing."""
        self._note(chunks)
        buffer = self._buffer
        for _, data in chunks:
            buffer += data
        if len(buffer) < self._need:
            return None
        block = np.frombuffer(buffer, np.uint8)
        self._ledger.bind(buffer, self._base)
        found = self._find(block)
        return self._give(block, found)

    def reset(self, offset: int) -> Frames | None:
        """Drop what is pending as a fault; the stream continues at byte `offset`.

        What was known to be no frame is counted as such, the rest as one `partial` fault.
        """
        self._arrivals.reset(offset)
        return self._drop(offset, "the port was lost before the end of the frame")

    def cut(self) -> Frames | None:
        """Drop what is pending as `reset` does, because a request was sent; the stream continues."""
        if not self._buffer:
            return None
        self._start_again()
        end = self._base + len(self._buffer)
        return self._drop(end, "a request was sent before the end of the frame")

    def _start_again(self) -> None:  # noqa: B027  most know nothing more
        """Forget what is known of the frame that has only begun, but for the buffer."""

    def _drop(self, offset: int, detail: str) -> Frames | None:
        ledger, pos = self._ledger, self._base + self._pos
        ledger.bind(self._buffer, self._base)
        ledger.close(pos)
        rest = self._buffer[self._pos :]
        if rest:
            excerpt = bytes(rest[:MAX_EXCERPT])
            ledger.add(Fault(pos, len(rest), FaultReason.PARTIAL, excerpt, detail))
        self._buffer = bytearray()
        self._base, self._pos, self._need = offset, 0, 1
        return self._give(np.empty(0, np.uint8), Found())

    def _give(self, block: NDArray[np.uint8], found: Found) -> Frames | None:
        """Let go of what is decided, and give it."""
        ledger, base = self._ledger, self._base
        offsets = found.starts + base
        times = known = NO_INTS
        if offsets.size:
            sizes = found.sizes if found.stride is None else int(found.sizes[0])
            ends = offsets + sizes
            times = self._arrivals.begins(ends, sizes)
            known = self._arrivals.known(ends if found.decided is None else found.decided + base)
        keep = base + self._pos if ledger.start is None else ledger.start
        drop = keep - base
        if drop > 0:
            # The old buffer now belongs to the frames; a new one takes the rest.
            self._buffer = self._buffer[drop:]
            self._base = keep
            self._pos -= drop
            self._need -= drop
        self._arrivals.forget(self._base + self._pos)
        if not (offsets.size or ledger.counts or self._ignored):
            return None
        frames = Frames(
            contents=self._contents(block, found),
            offsets=offsets,
            sizes=found.sizes,
            times=times,
            known=known,
            faults=ledger.faults,
            counts=ledger.counts,
            fault_bytes=ledger.fault_bytes,
            ignored_bytes=self._ignored,
        )
        ledger.clear()
        self._ignored = 0
        return frames

    def _note(self, chunks: Sequence[tuple[int, bytes]]) -> None:
        """Remember when the chunks arrived."""
        self._arrivals.note(chunks)

    @abstractmethod
    def _find(self, block: NDArray[np.uint8]) -> Found:
        """Frames in the buffer from `_pos` on.

        Sets `_pos` and `_need`, and enters the bytes between into the ledger.
        """

    def _contents(self, block: NDArray[np.uint8], found: Found) -> Contents:
        """What is in the frames."""
        stride = found.stride or even_stride(found.starts, found.sizes)
        return Contents(block=block, starts=found.starts, lengths=found.sizes, stride=stride)


def even_stride(starts: NDArray[np.int64], lengths: NDArray[np.int64]) -> int | None:
    """From one frame to the next, if all are equally long and evenly spaced; else None."""
    if starts.size < 2 or (lengths != lengths[0]).any():
        return None
    stride = int(starts[1] - starts[0])
    return None if (np.diff(starts) != stride).any() else stride
