"""The station's ports: one reading thread each, into one bounded buffer each.

What waits between thread and loop is bounded for each port. When its buffer is full, a thread reads no
more: a network peer is held up, a serial driver discards what its own buffer does not hold. Nothing is
dropped here. A round of the loop takes so many bytes and no more, in the order of arrival. A device that
floods has a turn of its own behind the others, and holds up its own bytes only.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from types import TracebackType
from typing import Final, Self

from swathe.journal import Chunk, PortChange, Sent
from swathe.station import Station, decoder_of, schedule_of
from swathe_drivers import PortReader, PortState

__all__ = ["SLOW_BYTES_PER_S", "PortHub"]

SLOW_BYTES_PER_S: Final = 128_000
"""Bytes that a port is read at most where it is read slowly, per second: more than a line of 921,600 Bd
carries, and 0.5 GB of journal an hour."""

# A second and more of the fastest ports, for a loop that is held up.
_MOST_BYTES = 1 << 20
_MOST_ENTRIES = 20_000  # of a few bytes each
_FULL_SECONDS = 0.01
# Where a device has a clock, its fastest deliveries are what counts, and they are as fast when
# those of a few ms come at once. A crawler's guards need each sample as soon as it is there.
_GATHER_SECONDS = 0.008
# What a round takes at first, and the processor time from which on the next one takes no more. Lines that
# are all faults take a hundred times as long as readings. A round costs some 10 ms whatever it takes:
# 10 MB/s of A-scans are kept up with only by few rounds that take much. A crawler's guards are quicker.
_ROUND_NS = 20_000_000
_CRAWLER_ROUND_NS = 10_000_000
_ROUND_BYTES = 32 << 10
_FEWEST_ROUND_BYTES = 8 << 10
_MOST_ROUND_BYTES = 512 << 10
_ROUND_ENTRIES = 1_000
_PIECE_BYTES = 8 << 10

_Entry = Chunk | PortChange | Sent


class _Buffer:
    """Entries of one port that wait for the loop; filled by its thread and emptied by the loop.

    Attributes:
        floods: whether the device floods.
        slow: whether the port is read slowly.
        discards: whether its bytes are discarded.
        waited: for how long its thread has waited for space so far, ns.
    """

    def __init__(self) -> None:
        # Appending and taking away are atomic, and no thread waits for a lock at every chunk.
        self._entries: deque[_Entry] = deque()
        # Each is written by one thread only.
        self._put = self._taken = 0
        self.floods = self.slow = self.discards = False
        self.waited = 0

    def __len__(self) -> int:
        return len(self._entries)

    @property
    def waiting(self) -> int:
        """How many bytes wait."""
        return self._put - self._taken

    @property
    def full(self) -> bool:
        """Whether no more bytes fit in."""
        return self.waiting >= _MOST_BYTES or len(self._entries) >= _MOST_ENTRIES

    @property
    def oldest(self) -> int:
        """Time of the first entry, of which there must be one, ns."""
        return self._entries[0].time

    def put(self, entry: _Entry, size: int) -> None:
        """Add an entry that has `size` bytes."""
        self._put += size
        self._entries.append(entry)

    def take(self) -> tuple[_Entry | None, int]:
        """Take the first entry away; return it, unless it is discarded, and its bytes."""
        entry = self._entries.popleft()
        if not isinstance(entry, Chunk):
            return entry, 0
        self._taken += len(entry.data)
        return (None if self.discards else entry), len(entry.data)


class PortHub:
    """Opens every port of a station; a context manager.

    Args:
        station: names the ports.
    """

    def __init__(self, station: Station) -> None:
        self._buffers = {name: _Buffer() for name in station.device}
        self._quota = _ROUND_BYTES
        self._usual = _ROUND_NS if station.motion is None else _CRAWLER_ROUND_NS
        self._round = 0  # host time at which it began, ns
        self._used = 0  # processor time of the thread as it began, ns
        self._took = 0  # bytes that it took
        self._reached = 0
        self._cut = False  # whether it did not take all there was
        self._readers = {
            name: PortReader(
                name,
                device.port_settings(),
                on_chunk=self._take_chunk,
                on_state=self._take_state,
                on_sent=self._take_sent,
                schedule=schedule_of(device),
                gather=_gather(station, name),
            )
            for name, device in station.device.items()
        }
        self._stack = ExitStack()
        self._closing = False

    def __enter__(self) -> Self:
        for reader in self._readers.values():
            self._stack.enter_context(reader)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._closing = True
        self._stack.close()

    def close(self, sent: Callable[[Sent], None]) -> None:
        """Send the devices their closing texts and close the ports; `sent` takes those texts.

        Bytes that arrive meanwhile are discarded.
        """
        self._closing = True  # a thread must not wait for ever for space in its buffer
        for reader in self._readers.values():
            reader.close()
        self.drain_all(_ignore, sent)

    @property
    def stalls(self) -> dict[str, int]:
        """How often each port's reading waited for the daemon."""
        return {name: reader.stalls for name, reader in self._readers.items()}

    def read_at(self, name: str) -> int | None:
        """Return when the last read of a port returned, host time in ns; None while not open."""
        return self._readers[name].read_at

    @property
    def reached(self) -> int:
        """Host time up to which all that arrived is handed over, floods left aside, ns.

        The journal's time: a tick must not run ahead of what waits.
        """
        return self._reached

    def waited(self, name: str) -> int:
        """Return for how long a port's thread has waited for space in its buffer so far, ns."""
        return self._buffers[name].waited

    def set_flood(self, name: str, floods: bool, slow: bool) -> None:
        """Treat a device as one that floods, or no longer.

        Args:
            name: of the device.
            floods: its turn comes after that of the others, and its bytes have the time at which
                they are handed over.
            slow: its port is read at `SLOW_BYTES_PER_S` at most.
        """
        self._buffers[name].floods, self._buffers[name].slow = floods, slow

    def drain(
        self,
        take: Callable[[Chunk | PortChange], None],
        sent: Callable[[Sent], None] | None = None,
    ) -> int:
        """Begin a round: hand over what has arrived, in order; return how many bytes that was.

        This is a part where very much waits; `more` returns whether that is so. What devices that
        flood have sent comes last, a part of each.

        Args:
            take: takes bytes and changes.
            sent: takes what was sent to the devices, and which of it was not answered.
        """
        self._round, self._used = time.monotonic_ns(), time.thread_time_ns()
        return self._drain(take, sent, self._quota, _ROUND_ENTRIES)

    def discard(self, name: str) -> int:
        """Discard the bytes of a port from those on that wait; return how many bytes wait."""
        buffer = self._buffers[name]
        buffer.discards = True
        return buffer.waiting

    def drain_all(
        self,
        take: Callable[[Chunk | PortChange], None],
        sent: Callable[[Sent], None] | None = None,
    ) -> None:
        """Hand over all that has arrived by now; see `drain`."""
        self._round = time.monotonic_ns()
        self._drain(take, sent, 2 * _MOST_BYTES, 2 * _MOST_ENTRIES)

    def _drain(
        self,
        take: Callable[[Chunk | PortChange], None],
        sent: Callable[[Sent], None] | None,
        most_bytes: int,
        most_entries: int,
    ) -> int:
        buffers = self._buffers.values()
        begun = self._round
        parts = [[buffer for buffer in buffers if not buffer.floods]]
        parts += [[buffer] for buffer in buffers if buffer.floods]
        self._cut, total = False, 0
        for part in parts:
            # Those there are now: the threads add more meanwhile.
            left = {buffer: len(buffer) for buffer in part if len(buffer)}
            count = size = 0
            while left and size < most_bytes and count < most_entries:
                buffer = min(left, key=_oldest)
                entry, length = buffer.take()
                left[buffer] -= 1
                if not left[buffer]:
                    del left[buffer]
                count, size = count + 1, size + length
                if entry is not None and buffer.floods:
                    entry = entry._replace(time=self._reached)
                if isinstance(entry, Sent):
                    if sent is not None:
                        sent(entry)
                elif entry is not None:
                    take(entry)
            self._cut |= bool(left)
            if not part or not part[0].floods:
                behind = min((buffer.oldest for buffer in left), default=begun)
                self._reached = max(self._reached, min(behind, begun))
            total += size
        self._took = total
        return total

    def more(self) -> bool:
        """End a round; return whether more waits, which the next one should take soon.

        The next one takes less where this one was long, and where little comes.
        """
        # What others of the computer take of the processor would not become less by smaller rounds.
        took = time.thread_time_ns() - self._used
        if took > 2 * self._usual:
            self._quota = max(_FEWEST_ROUND_BYTES, self._quota // 2)
        elif not self._cut:
            # As much may come again; after a few quiet rounds a burst begins with little.
            self._quota = max(_ROUND_BYTES, min(self._quota, max(self._quota // 2, 2 * self._took)))
        elif took < self._usual:
            self._quota = min(_MOST_ROUND_BYTES, self._quota * 2)
        return self._cut

    def _take_chunk(self, name: str, at: int, data: bytes) -> None:
        buffer = self._buffers[name]
        # A round takes one entry at least: none may be large. A chunk of a capture may have 16 MB.
        for begin in range(0, len(data), _PIECE_BYTES):
            if buffer.full:
                begun = time.monotonic_ns()
                while buffer.full and not self._closing:
                    time.sleep(_FULL_SECONDS)
                buffer.waited += time.monotonic_ns() - begun
            if self._closing:
                return
            piece = data[begin : begin + _PIECE_BYTES]
            buffer.put(Chunk(at, name, piece), len(piece))
        due = time.monotonic() + len(data) / SLOW_BYTES_PER_S
        while buffer.slow and not self._closing and (left := due - time.monotonic()) > 0:
            time.sleep(min(left, _FULL_SECONDS))

    # What is rare finds space always: a text that was sent must not be missing in the journal.

    def _take_state(self, name: str, at: int, state: PortState, detail: str) -> None:
        self._buffers[name].put(PortChange(at, name, str(state), detail), 0)

    def _take_sent(self, name: str, at: int, data: bytes, unanswered: bool) -> None:
        self._buffers[name].put(Sent(at, name, data, unanswered), 0)


def _gather(station: Station, name: str) -> float:
    """Return for how long the arrivals of a device are gathered, s."""
    may = station.motion is None and decoder_of(station.device[name]).has_clock
    return _GATHER_SECONDS if may else 0.0


def _oldest(buffer: _Buffer) -> int:
    return buffer.oldest


def _ignore(_entry: Chunk | PortChange) -> None:
    return None
