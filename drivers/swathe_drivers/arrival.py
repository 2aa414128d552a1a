"""When a record began, worked out from when the chunks of its port arrived; no clock is read.

A record's time is that of its first byte's beginning, which is nearest to what was measured.
Bytes that came after its end, in the same chunk, took `ns_per_byte` each, so the record had
ended that much earlier; and so did its own. (Consequence of constant-rate asynchronous serial
framing; start, data, parity and stop bits make up one byte. A chunk that a USB adapter held back
is older than its bytes suggest; what remains of that is the clock's business.) A record can't have
ended before the chunk before was read, or it would have come with that one: where a stated baud
rate is not the line's, as with most USB devices, that keeps the times honest. Nothing is known
of how long the first chunk had been waiting, so its records are taken to end when it was read.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


class Arrivals:
    """Remembers when which byte of a stream arrived, until it may forget."""

    def __init__(self, *, ns_per_byte: int = 0, offset: int = 0) -> None:
        """Begin at byte `offset` of the stream.

        Raises:
            ValueError: the time of a byte is negative; check the settings before.
        """
        if ns_per_byte < 0:
            message = f"'ns_per_byte' must be >= 0 (got {ns_per_byte!r})"
            raise ValueError(message)
        self._ns_per_byte = ns_per_byte
        self._offset = offset
        self._ends: list[int] = []  # offset behind each chunk
        self._times: list[int] = []  # its arrival
        self._previous: int | None = None  # arrival of the chunk before the first of these
        self._last: int | None = None  # greatest time given

    def note(self, chunks: Sequence[tuple[int, bytes]]) -> None:
        """Take the next chunks, each with the time of its arrival, ns."""
        for time, data in chunks:
            self._offset += len(data)
            self._ends.append(self._offset)
            self._times.append(time)

    def forget(self, offset: int) -> None:
        """No record that ends at byte `offset` or before it will be asked for."""
        done = 0
        while done < len(self._ends) and self._ends[done] <= offset:
            done += 1
        if done:
            self._previous = self._times[done - 1]
            del self._ends[:done], self._times[:done]

    def reset(self, offset: int) -> None:
        """The stream continues at byte `offset`; what came before has no bearing on it."""
        self._offset = offset
        self._ends.clear()
        self._times.clear()
        self._previous = None

    def known(self, ends: NDArray[np.int64]) -> NDArray[np.int64]:
        """Arrivals of the chunks that hold the last byte before each of `ends`, ns.

        Args:
            ends: offsets as in `begins`, never falling.
        """
        if len(self._ends) == 1 or int(ends[0]) > self._ends[-2]:  # the usual case of a live port
            return np.full(ends.shape, self._times[-1], np.int64)
        return np.repeat(np.array(self._times), self._counts(ends))

    def begins(self, ends: NDArray[np.int64], sizes: NDArray[np.int64] | int) -> NDArray[np.int64]:
        """Times at which records began, ns, never falling.

        Args:
            ends: offset behind the last byte of each, rising, shape (n,) with n >= 1; in chunks
                that were noted and are not forgotten.
            sizes: bytes of each, shape (n,), or of every one.
        """
        if not self._ns_per_byte and (len(self._ends) == 1 or int(ends[0]) > self._ends[-2]):
            only = self._times[-1] if self._last is None else max(self._times[-1], self._last)
            self._last = only
            return np.full(ends.shape, only, np.int64)
        times = self._complete(ends)
        if self._ns_per_byte:
            times -= self._ns_per_byte * sizes
        if self._last is not None:
            np.maximum(times, self._last, out=times)
        np.maximum.accumulate(times, out=times)
        self._last = int(times[-1])
        return times

    def _complete(self, ends: NDArray[np.int64]) -> NDArray[np.int64]:
        """Times at which the last byte of records that end at `ends` had come."""
        count = len(self._ends)
        if count == 1 or int(ends[0]) > self._ends[-2]:  # the usual case of a live port
            arrived = self._times[-1]
            before = self._times[-2] if count > 1 else self._previous
            floor = arrived if before is None else min(before, arrived)
            return np.maximum(arrived - self._ns_per_byte * (self._ends[-1] - ends), floor)
        if not self._ns_per_byte:
            return self.known(ends)
        arrivals, counts = np.array(self._times), self._counts(ends)
        first = arrivals[0] if self._previous is None else self._previous
        floors = np.minimum(np.concatenate(([first], arrivals[:-1])), arrivals)
        behind = np.repeat(np.array(self._ends), counts) - ends
        times = np.repeat(arrivals, counts) - self._ns_per_byte * behind
        return np.asarray(np.maximum(times, np.repeat(floors, counts)), np.int64)

    def _counts(self, ends: NDArray[np.int64]) -> NDArray[np.int64]:
        """How many of `ends` are in each chunk."""
        # Chunks are fewer than records as a rule, so each chunk is looked up among the records.
        before = np.searchsorted(ends, np.array(self._ends), side="right")
        return np.asarray(np.diff(before, prepend=0), np.int64)
