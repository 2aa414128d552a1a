"""The usual interval between a gauge's readings, learned as they come.

It is the mean interval of the last whole block of readings, in which no pause counts for more than
a few of the usual intervals before. A block has at least 64 readings and lasts at least 250 ms;
the first ones are shorter, so that an interval is known from the second reading on. The borders of
the blocks depend on the readings alone, never on how they were batched.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["UsualInterval"]

_BLOCK = 64
_BLOCK_NS = 250_000_000
# A pause counts for so many usual intervals in the mean.
_MOST_INTERVALS = 4


class UsualInterval:
    """Learns the usual interval of one gauge.

    Attributes:
        value: ns; 0 while unknown.
    """

    def __init__(self) -> None:
        self.value = 0
        self._times: NDArray[np.int64] = np.empty(0, np.int64)  # of the block so far
        self._block = 2

    def follow(self, times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the usual interval that is known with each reading, ns, shape (n,).

        Args:
            times: of the next readings, rising, ns, shape (n,).
        """
        known = np.full(times.shape, self.value, np.int64)
        before = self._times.size
        all_times = np.concatenate((self._times, times))
        begin = 0
        while (end := self._block_end(all_times, begin)) is not None:
            self._learn(np.diff(all_times[begin:end]))
            known[max(end - 1 - before, 0) :] = self.value
            # The last reading of a block begins the next one: its interval is counted there.
            begin = end - 1
            self._block = min(2 * self._block, _BLOCK)
        self._times = all_times[begin:]
        return known

    def _block_end(self, times: NDArray[np.int64], begin: int) -> int | None:
        """Return the end of the block that begins at `begin`; None while it is not whole."""
        end = begin + self._block
        if end > times.size:
            return None
        if self._block == _BLOCK:
            due = int(times[begin]) + _BLOCK_NS
            if times[-1] < due:
                return None
            end = max(end, begin + int(np.searchsorted(times[begin:], due)) + 1)
        return end

    def _learn(self, steps: NDArray[np.int64]) -> None:
        count = int(np.count_nonzero(steps))  # bunched readings have no interval
        if count:
            most = _MOST_INTERVALS * (self.value or int(np.median(steps[steps > 0])))
            self.value = int(np.minimum(steps, most).sum()) // count
