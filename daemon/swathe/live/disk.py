"""What is not kept while the disk takes nothing: bounded, counted and journalled."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from swathe.journal import Chunk, Entry, JournalWriter, PortChange, Sent

__all__ = ["STALLED_NS", "DiskLosses", "unsaved_text"]

# A run's entries wait in memory while the disk takes nothing: hours of most devices.
_MOST_WAITING = 64 << 20
# Bytes are dropped until so much less waits, so that a port is not lost and back all the time.
_ENOUGH_WAITING = 48 << 20
STALLED_NS = 2_000_000_000
"""Age of what is not synced from which on the disk is stalled: a sync takes some ms, on a slow card 100."""


@dataclass(slots=True)
class _Loss:
    """What one port sent that was not kept: bytes, and host time since when, ns."""

    size: int
    since: int


class DiskLosses:
    """Bounds what waits in memory; beyond, a port counts as lost, and its bytes are counted.

    Args:
        journal: of the run.
        most: bytes that may wait.
        enough: bytes below which ports are kept again.
        clock: host's monotonic clock, ns.
    """

    def __init__(
        self,
        journal: JournalWriter,
        *,
        most: int = _MOST_WAITING,
        enough: int = _ENOUGH_WAITING,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._journal = journal
        self._most, self._enough = most, enough
        self._clock = clock
        self._losses: dict[str, _Loss] = {}

    @property
    def size(self) -> int:
        """Bytes that were not kept since the disk takes nothing."""
        return sum(loss.size for loss in self._losses.values())

    def take(self, entry: Entry) -> list[Entry]:
        """Return what is to be journalled instead of an entry: as a rule the entry itself.

        A port whose bytes are no longer kept is journalled as lost, and as open again with what it
        had lost: positions and times after it rest on the same evidence as after a cable.
        """
        if isinstance(entry, PortChange):
            # A port that opens meanwhile is open once its bytes are kept again.
            return [] if entry.port in self._losses and entry.state == "open" else [entry]
        if not isinstance(entry, Chunk | Sent):
            return [entry]
        loss = self._losses.get(entry.port)
        if loss is None:
            if self._journal.waiting <= self._most:
                return [entry]
            self._losses[entry.port] = _Loss(_size(entry), entry.time)
            detail = f"the disk takes nothing and {self._most >> 20} MB wait: bytes are not kept"
            return [PortChange(entry.time, entry.port, "lost", detail)]
        if self._journal.waiting > self._enough:
            loss.size += _size(entry)
            return []
        del self._losses[entry.port]
        detail = f"the disk has room: {_lost_text(loss, entry.time)}"
        return [PortChange(entry.time, entry.port, "open", detail), entry]

    def rest(self, now: int) -> list[Entry]:
        """Return what is to be journalled at the end of a run that lost bytes until then.

        Args:
            now: host time, ns.
        """
        entries: list[Entry] = [
            PortChange(now, port, "lost", _lost_text(loss, now))
            for port, loss in self._losses.items()
        ]
        self._losses.clear()
        return entries


def unsaved_text(done: str, trouble: str) -> str:
    """Return what was done, and that it is not on the disk where the disk takes nothing."""
    return f"{done}; not on the disk yet: {trouble}" if trouble else done


def _lost_text(loss: _Loss, now: int) -> str:
    return f"{loss.size:,} bytes of {(now - loss.since) / 1e9:.1f} s were not kept"


def _size(entry: Chunk | Sent) -> int:
    return len(entry.data) if isinstance(entry, Chunk) else 0
