"""Values that a gauge holds: it repeats the last one when the echo is lost.

A description says after how many repeats a value is held. The repeats of such a run are no
measurement; its first reading is one. A repeat waits until it is known which it is: until the run
has that many repeats, or ends. It waits no longer than a while; then it counts, as nothing is known
against it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools
from swathe.pipeline.placing.streams import Released, WaitingRecords
from swathe.pipeline.placing.track import NEVER_KNOWN

__all__ = ["WAIT_NS", "HeldValues"]

WAIT_NS: Final = 2_500_000_000
"""Longest time for which a repeat waits."""


class HeldValues(WaitingRecords):
    """Finds held values in the readings of one device.

    Args:
        columns: that are equal in a repeat.
        after: repeats from which on a value is held.

    Attributes:
        found: repeats that were no measurement, so far.
    """

    def __init__(self, columns: frozenset[str], after: int) -> None:
        self._columns = sorted(columns)
        self._after = after
        super().__init__()
        # Of the reading before those that wait: its values, how often they are repeated by then,
        # and until when repeats of this run wait (journal time, ns; None before the first one).
        self._last: tuple[float, ...] = (np.nan,) * len(columns)
        self._repeats = 0
        self._deadline: int | None = None
        self.found = 0

    def release(
        self, released: Released | None, now: int, *, flush: bool = False
    ) -> Released | None:
        """Take the next readings and return those that are decided; None for none.

        Args:
            released: readings whose times are known; None for none.
            now: journal time, ns: all that was known before it was taken.
            flush: whether no reading follows: a run ends here.
        """
        rows = self._waiting_and(released)
        if rows is None:
            return None
        equal = self._equal(rows)
        if not equal.any():
            self._waiting = None
            self._repeats, self._deadline = 0, None
            self._keep_last(rows)
            return rows
        return self._decide(rows, equal, now, flush=flush)

    def _keep_last(self, rows: Released) -> None:
        self._last = tuple(float(rows.records[name][-1]) for name in self._columns)

    def _equal(self, rows: Released) -> Bools:
        """Return which readings are equal to the one before, shape (n,)."""
        equal: Bools = rows.records["valid"].copy()
        for name, last in zip(self._columns, self._last, strict=True):
            values = rows.records[name]
            equal[1:] &= values[1:] == values[:-1]  # NaN is equal to nothing
            equal[:1] &= values[:1] == last
        return equal

    def _decide(self, rows: Released, equal: Bools, now: int, *, flush: bool) -> Released | None:
        known, n = rows.timing.known, equal.size
        number = np.arange(n)
        # The first reading of each one's run, -1 for one before these, and that of the next run.
        first = np.maximum.accumulate(np.where(equal, -1, number))
        following = np.where(equal, n, number)
        following = np.append(np.minimum.accumulate(following[::-1])[::-1][1:], n)
        repeats = np.where(first < 0, self._repeats + number + 1, number - first)
        enough = number + np.maximum(self._after - repeats, 0)
        held = equal & (enough < following)
        decision = np.where(held, enough, np.minimum(following, n - 1))
        open_end = equal & ~held & (following == n) & (not flush)
        decided_at = np.where(open_end, NEVER_KNOWN, np.where(equal, known[decision], known))
        deadline = known[np.maximum(first + 1, 0) % n] + WAIT_NS
        if self._deadline is not None:
            deadline[first < 0] = self._deadline
        late = equal & (decided_at > deadline) & (deadline < now)
        if late.any():
            # What was known by then counts from then on; what came later does not wait.
            decided_at = np.where(late, np.maximum(known, deadline), decided_at)
            held = np.where(late, (repeats >= self._after) & (known > deadline), held)
        waits = decided_at == NEVER_KNOWN
        count = int(np.argmax(waits)) if waits.any() else n
        self._waiting = rows[count:] if count < n else None
        if not count:
            return None
        is_repeat = bool(equal[count - 1])
        self._repeats = int(repeats[count - 1]) if is_repeat else 0
        self._deadline = int(deadline[count - 1]) if is_repeat else None
        decided = rows[:count]
        self._keep_last(decided)
        self.found += int(np.count_nonzero(held[:count]))
        decided.records["valid"] &= ~held[:count]
        return decided.known_from(decided_at[:count])
