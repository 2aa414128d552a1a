"""Frames that end with a silence on the line, found by the times at which chunks arrived.

A chunk's first byte began when the chunk arrived, less the time its bytes took; the silence
before it is what is left up to the arrival of the chunk before. On the way to the reader silences
can get lost: where all frames have one length, bytes that are a whole number of frames are taken
for so many.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.framer import Found, Framer, Frames
from swathe_drivers.records import FaultReason


class IdleGapFramer(Framer):
    """Finds frames by the silences between them."""

    def __init__(
        self, *, gap_ns: int, length: int | None, max_length: int, ns_per_byte: int
    ) -> None:
        super().__init__(max_length=max_length, ns_per_byte=ns_per_byte)
        self._gap_ns = gap_ns
        self._length = length
        self._ns_per_byte = ns_per_byte
        self._last: int | None = None  # arrival of the last byte
        self._silences: list[int] = []  # offsets of the first bytes behind a silence
        self._dropping = False  # what is at `_pos` belongs to a frame that was too long

    def reset(self, offset: int) -> Frames | None:
        """Drop what is pending; see `Framer.reset`."""
        frames = super().reset(offset)
        self._last, self._dropping = None, False
        self._silences.clear()
        return frames

    def cut(self) -> Frames | None:
        """End the frame at the request, as a silence would; it is decided with the next byte."""
        at = self._base + len(self._buffer)
        if self._buffer and at not in self._silences:
            self._silences.append(at)
        return None

    def _note(self, chunks: Sequence[tuple[int, bytes]]) -> None:
        super()._note(chunks)
        at = self._base + len(self._buffer)
        for time, data in chunks:
            if not data:
                continue
            if self._last is not None:
                silence = time - len(data) * self._ns_per_byte - self._last
                if silence >= self._gap_ns and at not in self._silences[-1:]:
                    self._silences.append(at)
            self._last = time
            at += len(data)

    def _find(self, block: NDArray[np.uint8]) -> Found:
        base, ledger = self._base, self._ledger
        pos = base + self._pos
        starts: list[int] = []
        sizes: list[int] = []
        decided: list[int] = []
        for silence in self._silences:
            if self._dropping:
                ledger.no_frame(pos, silence)
                ledger.close(silence)
                self._dropping = False
            elif silence - pos > self._max_length:
                self._fail(pos, silence)
                ledger.close(silence)
            else:
                count = 1
                if self._length is not None and (silence - pos) % self._length == 0:
                    count = (silence - pos) // self._length
                size = (silence - pos) // count
                starts.extend(range(pos - base, silence - base, size))
                sizes.extend([size] * count)
                decided.extend([silence + 1 - base] * count)  # the byte behind the silence shows it
            pos = silence
        self._silences.clear()
        end = base + block.size
        if self._dropping:
            ledger.no_frame(pos, end)
            pos = end
        elif end - pos > self._max_length:
            self._fail(pos, end)
            self._dropping, pos = True, end
        self._pos, self._need = pos - base, block.size + 1
        return Found(
            starts=np.array(starts, np.int64),
            sizes=np.array(sizes, np.int64),
            decided=np.array(decided, np.int64),
        )

    def _fail(self, at: int, until: int) -> None:
        detail = f"no silence within {self._max_length} bytes"
        self._ledger.failed(at, FaultReason.TOO_LONG, detail, at + 1)
        self._ledger.no_frame(at, until)
