"""Where the bytes of a device that is silent at rest are damaged: silence is no rest then.

An encoder that sends on change rests as long as it sends nothing. Bytes that gave no record are no silence:
something moved, and nobody knows how far. From their arrival until the next good record the position is
unknown. The same holds for bytes of which it is not decided yet whether they are a record.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Ints
from swathe.pipeline.placing.axis_samples import WaitingSamples
from swathe_drivers import Batch

__all__ = ["DamagedLines", "RestEnds"]

_NEVER: Final = int(np.iinfo(np.int64).max)


class DamagedLines:
    """Follows the bytes of one device.

    Args:
        offset: of the stream's next byte.
    """

    def __init__(self, offset: int) -> None:
        self._end = offset
        self._undecided = 0  # bytes
        # Chunks that may still be asked for: offset of the first byte, and journal time.
        self._begins: list[int] = []
        self._times: list[int] = []
        # The first fault behind each record, until the record behind it is released.
        self._faults: list[tuple[int, int]] = []
        self._records: Ints = np.empty(0, np.int64)  # offsets of those that are not released

    @property
    def since(self) -> int | None:
        """Journal time of the first bytes behind the last released record that are none; None if none."""
        times = [time for _, time in self._faults[:1]]
        if self._undecided:
            times.append(self._arrival(self._end - self._undecided))
        return min(times, default=None)

    def take(self, batch: Batch, size: int, known: int) -> None:
        """Take what the bytes of one arrival gave.

        Args:
            batch: as above.
            size: number of bytes.
            known: their journal time, ns.
        """
        first = self._end - self._undecided
        if size:
            self._begins.append(self._end)
            self._times.append(known)
        self._end += size
        accounted = batch.record_bytes + batch.fault_bytes + batch.ignored_bytes
        self._undecided = max(self._undecided + size - accounted, 0)
        self._records = np.concatenate((self._records, batch.positions["offset"]))
        faults = [fault.offset for fault in batch.faults]
        if sum(batch.n_faults.values()) > len(faults):
            faults.insert(0, first)  # of so many a batch only has the newest
        for offset in faults:
            behind = self._faults[-1][0] if self._faults else -1
            since = np.searchsorted(self._records, [behind, offset])
            if behind < 0 or since[0] < since[1]:
                self._faults.append((offset, self._arrival(offset)))
        self._forget()

    def _arrival(self, offset: int) -> int:
        """Return the journal time of the byte at an offset, ns."""
        at = int(np.searchsorted(self._begins, offset, "right")) - 1
        return self._times[max(at, 0)] if self._times else 0

    def _forget(self) -> None:
        """Drop the chunks of which nothing waits."""
        oldest = min([self._end - self._undecided, *self._records[:1].tolist()])
        keep = max(int(np.searchsorted(self._begins, oldest, "right")) - 1, 0)
        del self._begins[:keep], self._times[:keep]

    def release(self, batch: Batch) -> tuple[Ints, Bools]:
        """Return what was before the next records, shape (n,) each.

        Args:
            batch: that has them, each with the journal time from which it is known.

        Returns:
            Until when silence before each of them was a rest, a journal time in ns; whether that was
            ended by bytes that are no record.
        """
        offsets, until = batch.positions["offset"], batch.positions_known_at.copy()
        damaged = np.zeros(offsets.shape, bool)
        if not (offsets.size and self._times):
            return until, damaged
        at = np.searchsorted(self._begins, offsets, "right") - 1
        until = np.minimum(until, np.array(self._times)[np.maximum(at, 0)])
        last = int(offsets[-1])
        while self._faults and self._faults[0][0] <= last:
            offset, time = self._faults.pop(0)
            behind = int(np.searchsorted(offsets, offset))
            until[behind] = min(time, int(until[behind])) if not damaged[behind] else until[behind]
            damaged[behind] = True
        self._records = self._records[np.searchsorted(self._records, last, "right") :]
        self._forget()
        return until, damaged


class RestEnds:
    """Until when an axis rested before each of its good samples.

    Attributes:
        since: journal time of the first damage behind the last good sample, ns; None without any.
    """

    def __init__(self) -> None:
        self.since: int | None = None

    def holds(self, waiting: WaitingSamples) -> bool:
        """Return whether there is damage before samples of which nothing is decided, or since then."""
        return self.since is not None or bool(waiting.damaged.any())

    def end(self, now: int, unheard: int | None, waiting: WaitingSamples) -> int:
        """Return until when silence is a rest, a journal time in ns.

        Args:
            now: at the latest.
            unheard: see `DamagedLines.since`.
            waiting: samples of which nothing is decided.
        """
        ends = [now, *(end for end in (unheard, self.since) if end is not None)]
        return min(ends + [int(end) for end in waiting.rested[:1]])

    def before(self, decided: WaitingSamples, good: Bools) -> tuple[Ints, Bools]:
        """Return for the next samples what `DamagedLines.release` does, after the good one before.

        Args:
            decided: samples, shape (n,).
            good: which of them are good, shape (n,).
        """
        until, lost = decided.rested.copy(), np.zeros(good.shape, bool)
        if not decided.damaged.any() and self.since is None:
            return until, lost
        damage = np.where(decided.damaged, decided.rested, _NEVER)
        carried = np.append(damage, _NEVER)
        if self.since is not None:
            carried[0] = min(carried[0], self.since)
            until[:1] = np.minimum(until[:1], self.since)
        at = np.flatnonzero(good)
        begins = np.concatenate(([0], at + 1))
        first = np.minimum.reduceat(carried, begins)
        until[at] = np.minimum(until[at], first[:-1])
        lost[at] = first[:-1] < _NEVER
        self.since = None if first[-1] == _NEVER else int(first[-1])
        return until, lost
