"""Frames between two pairs of bytes of which the first is sent twice where it is data.

Of the bytes `byte` in a row each two are one that is meant. Only the last of an odd number of them
makes a mark with the byte behind it: a start, a stop, or what no frame may have.
"""

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.framer import Found, Frames
from swathe_drivers.frames.start_stop import StartStopFramer, after_odd


class DoubledFramer(StartStopFramer):
    """Finds frames by the pairs of bytes at their ends."""

    def __init__(
        self,
        *,
        byte: int,
        start: int,
        stop: int,
        tail: int = 0,
        stop_covered: bool = True,
        max_length: int,
        ns_per_byte: int,
    ) -> None:
        """`tail` bytes of any value behind the stop belong to the frame; see `StartStopFramer`."""
        super().__init__(
            start=start,
            stop=stop,
            escape=byte,
            replaced={byte: byte},
            tail=tail,
            wide=2,
            stop_covered=stop_covered,
            max_length=max_length,
            ns_per_byte=ns_per_byte,
        )
        self._byte = byte
        self._before = False  # an odd number of `byte` that count is right before the buffer

    def reset(self, offset: int) -> Frames | None:
        """Drop what is pending; see `Framer.reset`."""
        self._start_again()
        return super().reset(offset)

    def _start_again(self) -> None:
        self._before = False

    def _find(self, block: NDArray[np.uint8]) -> Found:
        is_byte = block == self._byte
        ends = np.flatnonzero(
            is_byte[:-1] & ((block[1:] == self._start) | (block[1:] == self._stop))
        )
        active = ends[~after_odd(block, self._byte, before=self._before)[ends]]
        free = -1
        if self._tail and self._is_crossed(block, active[block[active + 1] == self._stop]):
            active, free = self._one_by_one(block, ends)
        active = active[active >= self._pos]
        size = block.size - self._odd_before(block, block.size, free)
        found = self._pairs(block, active, block[active + 1] == self._start, size)
        self._need = block.size + 1
        keep = self._pos if self._ledger.start is None else self._ledger.start - self._base
        over = int(found.starts[-1] + found.sizes[-1]) if found.starts.size else -1
        self._before = self._odd_before(block, keep, over)
        return found

    def _is_crossed(self, block: NDArray[np.uint8], stops: NDArray[np.int64]) -> bool:
        """Whether `byte` is at the end of what may be a tail, and behind it: these do not belong together."""
        behind = stops + 2 + self._tail
        behind = behind[behind < block.size]
        return bool(((block[behind - 1] == self._byte) & (block[behind] == self._byte)).any())

    def _one_by_one(
        self, block: NDArray[np.uint8], ends: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], int]:
        """Return the marks that are in no tail, each counted from the tail before it, and the last tail's end.

        Rare, with a checksum that ends with `byte`: whether a mark is one depends on those before it.
        """
        found: list[int] = []
        free, begun = -1, -1
        for at, kind in zip(ends.tolist(), block[ends + 1].tolist(), strict=True):
            if at < self._pos or not self._odd_before(block, at + 1, free):
                continue
            found.append(at)
            if kind == self._start:
                begun = at
            elif begun >= 0:
                if at - begun <= self._max_length - self._wide:
                    free = at + self._wide + self._tail
                begun = -1
        return np.array(found, np.int64), free

    def _odd_before(self, block: NDArray[np.uint8], until: int, since: int) -> bool:
        """Whether an odd number of `byte` is right before a place.

        Args:
            block: the bytes in the buffer.
            until: the place.
            since: bytes before this don't count; -1: those before the buffer do.
        """
        first = until
        while first > max(since, 0) and block[first - 1] == self._byte:
            first -= 1
        return bool((until - first + (first == 0 and since < 0 and self._before)) % 2)
