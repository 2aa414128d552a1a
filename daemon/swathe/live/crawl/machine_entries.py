"""What the machine's port sent, answered and became, until the loop journals it; bounded."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from swathe.journal import Chunk, Entry, PortChange

__all__ = ["MachineEntries"]

# 11 s of a line of 921,600 Bd, for a loop that is held up.
_MOST_BYTES: Final = 1 << 20
_MOST_CHUNKS: Final = 20_000  # of a few bytes each


class MachineEntries:
    """Entries in their order, from the port's threads and the loop to the journal.

    A machine that sends more than there is room for while the loop takes nothing is read all the same,
    because its answers and alarms decide whether it may move: what is not kept is only missing in the
    journal, where the port counts as lost, and as open again with the bytes that are missing. Nothing
    that is measured comes from this port.

    Args:
        most_bytes: that wait.
        most_chunks: likewise.
    """

    def __init__(self, *, most_bytes: int = _MOST_BYTES, most_chunks: int = _MOST_CHUNKS) -> None:
        self._most_bytes, self._most_chunks = most_bytes, most_chunks
        self._entries: deque[Entry] = deque()
        # Each is written by one thread only: the port's reading thread, and the loop.
        self._put = self._put_chunks = self._lost = self._lost_since = 0
        self._taken = self._taken_chunks = 0

    def append(self, entry: Entry) -> None:
        """Add what is rare, which finds room always: what was sent, a mark."""
        self._entries.append(entry)

    def put_chunk(self, name: str, at: int, data: bytes) -> None:
        """Add bytes that arrived at host time `at`, ns, if there is room; in the reading thread."""
        waiting = self._put - self._taken, self._put_chunks - self._taken_chunks
        if waiting[0] + len(data) > self._most_bytes or waiting[1] >= self._most_chunks:
            if not self._lost:
                self._lost_since = at
                detail = f"the loop takes nothing and {waiting[0]:,} bytes wait: bytes are not kept"
                self._entries.append(PortChange(at, name, "lost", detail))
            self._lost += len(data)
            return
        if self._lost:
            self._entries.append(PortChange(at, name, "open", self._lost_text(at)))
        self._put, self._put_chunks = self._put + len(data), self._put_chunks + 1
        self._entries.append(Chunk(at, name, data))

    def put_change(self, name: str, at: int, state: str, detail: str) -> None:
        """Add a change of the port's state, with what is not kept until then."""
        if self._lost:
            detail = f"{detail}; {self._lost_text(at)}"
        self._entries.append(PortChange(at, name, state, detail))

    def _lost_text(self, now: int) -> str:
        text = f"{self._lost:,} bytes of {(now - self._lost_since) / 1e9:.1f} s were not kept"
        self._lost = 0
        return text

    def take(self, enter: Callable[[Entry], None]) -> None:
        """Hand over what is there, in its order; in the loop."""
        for _ in range(len(self._entries)):  # the port's threads add more meanwhile
            entry = self._entries.popleft()
            if isinstance(entry, Chunk):
                self._taken += len(entry.data)
                self._taken_chunks += 1
            enter(entry)
