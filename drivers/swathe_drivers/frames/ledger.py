"""Keeps account of the bytes between frames.

The bytes from the end of a frame to the beginning of the next make up faults that leave no byte
out: one begins where no frame does, and one with each frame that failed, unless it is within
one that failed before. A fault lasts until the next one or the next frame, though not for more
bytes than a frame may have. So the faults do not depend on how the stream was cut.
"""

from collections import Counter, deque
from typing import Final

from swathe_drivers.records import MAX_EXCERPT, MAX_FAULTS, Fault, FaultReason

NO_FRAME: Final = "no frame begins here"


class Ledger:
    """The faults between frames; all places are offsets in the stream."""

    def __init__(self, limit: int) -> None:
        """No fault takes more than `limit` bytes."""
        self._limit = limit
        self._data = bytearray()
        self._base = 0
        self._start: int | None = None  # of a fault that is not yet closed
        self._reason = FaultReason.FRAME
        self._detail = NO_FRAME
        self._until = 0
        self.clear()

    def clear(self) -> None:
        """Forget the closed faults."""
        self.faults: deque[Fault] = deque(maxlen=MAX_FAULTS)
        self.counts: Counter[FaultReason] = Counter()
        self.fault_bytes = 0

    @property
    def start(self) -> int | None:
        """Where the open fault begins, if there is one; its bytes must be kept."""
        return self._start

    @property
    def until(self) -> int:
        """A frame that fails before this belongs to the fault that is open."""
        return self._until

    def bind(self, data: bytearray, base: int) -> None:
        """The bytes from offset `base` on are now these."""
        self._data, self._base = data, base

    def no_frame(self, since: int, until: int) -> None:
        """No frame begins at the bytes `since` to before `until`, the former known before."""
        if self._start is None:
            if until <= since:
                return
            self._open(since, FaultReason.FRAME, NO_FRAME, since)
        while self._start is not None and until - self._start > self._limit:
            end = self._start + self._limit
            self._end(end)
            self._open(end, FaultReason.FRAME, NO_FRAME, end)

    def failed(self, at: int, reason: FaultReason, detail: str, until: int) -> None:
        """A frame seemed to begin at `at` and to end before `until`, but is none.

        What is before it must have been passed to `no_frame`.
        """
        if self._start is not None:
            if at < self._until:
                return
            self._end(at)
        self._open(at, reason, detail, until)

    def close(self, at: int) -> None:
        """A frame begins at `at`, or the stream ends there."""
        if self._start is not None:
            self._end(at)

    def add(self, fault: Fault) -> None:
        """Note a fault that has a length of its own."""
        self.counts[fault.reason] += 1
        self.fault_bytes += fault.length
        self.faults.append(fault)

    def _open(self, at: int, reason: FaultReason, detail: str, until: int) -> None:
        self._start, self._reason, self._detail, self._until = at, reason, detail, until

    def _end(self, at: int) -> None:
        assert self._start is not None  # noqa: S101  for the type checker
        first = self._start - self._base
        excerpt = bytes(self._data[first : first + min(at - self._start, MAX_EXCERPT)])
        self.add(Fault(self._start, at - self._start, self._reason, excerpt, self._detail))
        self._start = None
