"""What was sent to a polled device, and the bytes that came meanwhile."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Ints, Times
from swathe_drivers import Decoder, NumberingDecoder, Polling

__all__ = ["RECENT_REQUESTS", "RequestLog"]

RECENT_REQUESTS: Final = 64
"""So many requests before the newest one are remembered at least."""

_REQUEST: Final = np.dtype(
    [("offset", "<i8"), ("time", "<i8"), ("number", "<i8"), ("over", "<i8"), ("given_up", "?")]
)
_NEVER: Final = np.iinfo(np.int64).max
# No record is longer: what came further back is forgotten.
_LONGEST: Final = 131_072


class RequestLog:
    """The requests of one device through one run; offsets are those of its port's stream.

    Chunks wait for the next entry about requests where only that shows that they hold no second
    answer: where answers do not name their request.

    Args:
        polling: what is no request.
        decoder: of the device; its records may carry the number of their request.
        offset: of the next byte.

    Attributes:
        holds: whether chunks wait for the next entry about requests. Then a record that has only begun
            when a request is sent is none.
        cuts: of what was released last, the requests: chunks before each, and its journal time.
        forgotten: requests that are no longer in `requests`.
    """

    def __init__(self, polling: Polling, decoder: Decoder, *, offset: int = 0) -> None:
        self._commands = polling.commands
        self._numbering = decoder if isinstance(decoder, NumberingDecoder) else None
        self.holds: Final = self._numbering is None or not self._numbering.numbers_differ
        self.forgotten = 0
        self._requests = np.zeros(RECENT_REQUESTS, _REQUEST)
        self._count = 0
        self._sent = offset  # behind the newest chunk
        self._taken = 0  # chunks so far
        self._last_time = -_NEVER
        self._parted = False  # whether an entry about requests came since the last chunk
        # Entries about requests: chunks taken before each, and its journal time.
        self._entries: list[int] = []
        self._entries_known: list[int] = []
        self._entries_ask: list[bool] = []  # whether it is a request
        self.cuts: list[tuple[int, int]] = []
        self._released = 0
        # Chunks that were decoded: offset behind each, and its arrival; the first byte of all.
        self._begin = offset
        self._ends: Ints = np.empty(0, np.int64)
        self._arrivals: Times = np.empty(0, np.int64)
        self._bytes = b""  # the newest of them

    @property
    def requests(self) -> NDArray[Any]:
        """The requests that are remembered, in order.

        Columns: `offset` of the first byte that came after it was sent, `time` at which it was
        sent, ns, `number` of its answer (-1 without one), `over`: the first offset at which it was
        no longer under way, and `given_up`: whether for want of an answer.
        """
        return self._requests[: self._count]

    def chunk(self, data: bytes, time: int) -> int:
        """Take note of bytes and return their time of arrival, ns.

        Chunks between which something was sent have different times, also by a coarse clock.
        """
        self._sent += len(data)
        self._taken += 1
        if self._parted:
            time = max(time, self._last_time + 1)
            self._parted = False
        self._last_time = max(self._last_time, time)
        return time

    def send(self, data: bytes, time: int, known: int) -> None:
        """Take note of bytes that were sent at `time`, ns."""
        self._end(given_up=False)
        asks = data not in self._commands
        self._note(known, asks=asks)
        if not asks:
            return
        if self._count == self._requests.size:
            self._requests = np.concatenate((self._requests, np.zeros_like(self._requests)))
        number = self._numbering.number_of(data) if self._numbering is not None else -1
        self._requests[self._count] = (self._sent, time, number, _NEVER, False)
        self._count += 1

    def give_up(self, known: int) -> None:
        """Take note that the request under way was given up."""
        self._end(given_up=True)
        self._note(known)

    def end(self, known: int) -> None:
        """Take note that no answer follows: the port is lost, or the run is over."""
        self._end(given_up=False)
        self._note(known)

    def _end(self, *, given_up: bool) -> None:
        if self._count and self._requests["over"][self._count - 1] == _NEVER:
            self._requests["over"][self._count - 1] = self._sent
            self._requests["given_up"][self._count - 1] = given_up

    def _note(self, known: int, *, asks: bool = False) -> None:
        self._parted = True
        if self.holds:
            self._entries.append(self._taken)
            self._entries_known.append(known)
            self._entries_ask.append(asks)

    def release(self, before: int | None) -> list[int]:
        """Return the journal times from which the next chunks are known, as many as are released.

        Args:
            before: a journal time, ns: what is known at it is kept; None for all.
        """
        known = self._entries_known
        count = len(known) if before is None else bisect_left(known, before)
        self.cuts = [
            (taken - self._released, time)
            for taken, time, asks in zip(
                self._entries[:count], known[:count], self._entries_ask[:count], strict=True
            )
            if asks
        ]
        if not count:
            return []
        chunks = np.arange(self._released, self._entries[count - 1])
        entries = np.array(self._entries[:count])
        times = np.array(known[:count])[np.searchsorted(entries, chunks, side="right")]
        self._released = self._entries[count - 1]
        del self._entries[:count], known[:count], self._entries_ask[:count]
        return [int(time) for time in times.tolist()]

    def remember(self, chunks: Sequence[tuple[int, bytes]]) -> None:
        """Take note of the chunks that are decoded."""
        begin = int(self._ends[-1]) if self._ends.size else self._begin
        sizes = np.array([len(data) for _, data in chunks], np.int64)
        self._ends = np.concatenate((self._ends, begin + np.cumsum(sizes)))
        times = np.array([time for time, _ in chunks], np.int64)
        self._arrivals = np.concatenate((self._arrivals, times))
        self._bytes = b"".join((self._bytes, *(data for _, data in chunks)))

    def forget(self) -> None:
        """Forget the chunks and requests before the longest record that may still begin."""
        oldest = int(self._ends[-1]) - _LONGEST
        done = int(np.searchsorted(self._ends, oldest, side="right"))
        done = min(done, self._ends.size - 1)
        self._ends, self._arrivals = self._ends[done:], self._arrivals[done:]
        self._bytes = self._bytes[-_LONGEST:]
        offsets = self._requests["offset"][: self._count]
        done = int(np.searchsorted(offsets, oldest)) - RECENT_REQUESTS
        if done > self._count // 2:
            kept = self._requests[done : self._count].copy()
            self._requests = np.concatenate(
                (kept, np.zeros(max(RECENT_REQUESTS, kept.size), _REQUEST))
            )
            self.forgotten += done
            self._count -= done

    def arrived(self, offsets: Ints, times: Times) -> Times:
        """Return when the bytes at `offsets` came, ns; they did so by `times`."""
        if not offsets.size:
            return times
        chunk = np.searchsorted(self._ends, offsets, side="right")
        return np.minimum(times, self._arrivals[chunk])

    def bytes_at(self, offset: int, size: int) -> bytes:
        """Return bytes of a record that was decoded last."""
        begin = len(self._bytes) - (int(self._ends[-1]) - offset)
        return self._bytes[begin : begin + size]
