"""A device's clock that stands still while its records go on.

Records with one device time, or with two in turn, that arrive over more than half a second have no
time: where the probe was then nobody knows, and they are dropped. Such a record waits until that is
known: until the clock advances, or a record comes more than half a second after it did. (The time is our choice, no source.)
"""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Times, run_lengths, run_starts
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.still_times import STILL_NS, StillTimes
from swathe.pipeline.placing.streams import Released, WaitingRecords
from swathe.pipeline.placing.track import NEVER_KNOWN
from swathe.station import AlarmKind
from swathe_drivers import FaultReason

__all__ = ["StoppedClock"]

# Without a further record for so long after the clock advanced last, a record waits no more.
_WAIT_NS: Final = 2 * STILL_NS


class StoppedClock(WaitingRecords):
    """Drops the records of one stream that came while the device's clock stood still.

    The readings of one record, which have its byte offset, wait and go together.

    Args:
        device: its name, for the condition.

    Attributes:
        dropped: of the readings or positions without a time since they were taken last, the journal times with
            which they arrived and from which it is known, ns, shape (2, n).
        conditions: changes since they were taken last.
    """

    def __init__(self, device: str) -> None:
        self._device = device
        super().__init__()
        self._times = StillTimes()  # up to those that wait
        # When the clock advanced last: the arrival of that record, journal time in ns.
        self._since: int | None = None
        self._stopped = False
        self.dropped: Times = np.empty((2, 0), np.int64)
        self.conditions: list[Condition] = []

    def release(
        self, released: Released | None, now: int, *, flush: bool = False
    ) -> Released | None:
        """Take the next records and return those that have a time; None for none.

        Args:
            released: records in their order; None for none.
            now: journal time, ns: all that was known before it was taken.
            flush: whether no record follows.
        """
        rows = self._waiting_and(released)
        if rows is None:
            return None
        # A record may have several readings, as of several probes: it has one time.
        begins = run_starts(rows.records["offset"])
        times = rows.records["device_time"][begins]
        still = self._times.at(times)
        still = np.repeat(still, run_lengths(begins, rows.records.size))
        if not still.any() and not self._stopped:
            self._times.keep(times)
            self._since = int(rows.arrived[-1])
            self._waiting = None
            return rows
        return self._decide(rows, still, now, flush=flush)

    def release_counted(
        self,
        released: Released | None,
        now: int,
        tally: DeviceTally,
        conditions: list[Condition],
        *,
        flush: bool,
    ) -> Released | None:
        """Return what `release` does; count the others in `tally`, and append to `conditions`."""
        before = self.dropped.shape[1]
        released = self.release(released, now, flush=flush)
        if (dropped := self.dropped.shape[1] - before) > 0:
            tally.faults[str(FaultReason.STOPPED_CLOCK)] += dropped
        conditions += self.conditions
        self.conditions.clear()
        return released

    def take_dropped(self) -> Times | None:
        """Return `dropped`, which is empty then; None where it is empty already."""
        if not self.dropped.size:
            return None
        dropped, self.dropped = self.dropped, np.empty((2, 0), np.int64)
        return dropped

    def _decide(self, rows: Released, still: Bools, now: int, *, flush: bool) -> Released | None:
        known, arrived, n = rows.timing.known, rows.arrived, still.size
        number = np.arange(n)
        # The record before each run of records at which the clock stands still, -1 for one before
        # these, and the record that ends the run.
        first = np.maximum.accumulate(np.where(still, -1, number))
        following = np.where(still, n, number)
        following = np.append(np.minimum.accumulate(following[::-1])[::-1][1:], n)
        began = arrived[np.maximum(first, 0)]
        if self._since is not None:
            began = np.where(first < 0, self._since, began)
        too_long = still & (arrived - began > STILL_NS)
        over = np.minimum.accumulate(np.where(too_long, number, n)[::-1])[::-1]
        stopped = still & (over < following)
        decision = np.where(stopped, over, np.minimum(following, n - 1))
        open_end = still & ~stopped & (following == n) & (not flush)
        decided_at = np.where(open_end, NEVER_KNOWN, np.where(still, known[decision], known))
        deadline = began + _WAIT_NS
        late = still & (decided_at > deadline) & (deadline < now)
        if late.any():  # nothing more came for a while: nothing is known against what came
            decided_at = np.where(late, np.maximum(known, deadline), decided_at)
            stopped = np.where(late, too_long & (known > deadline), stopped)
        waits = decided_at == NEVER_KNOWN
        count = int(np.argmax(waits)) if waits.any() else n
        self._waiting = rows[count:] if count < n else None
        if not count:
            return None
        self._note(stopped[:count], decided_at[:count])
        self._since = int(began[count - 1]) if still[count - 1] else int(arrived[count - 1])
        begins = run_starts(rows.records["offset"][:count])
        self._times.keep(rows.records["device_time"][begins])
        decided = rows[:count].known_from(decided_at[:count])
        stopped = stopped[:count]
        if not stopped.any():
            return decided
        gone = np.stack((decided.arrived, decided.timing.known))[:, stopped]
        self.dropped = np.concatenate((self.dropped, gone), axis=1)
        return None if stopped.all() else decided[~stopped]

    def _note(self, stopped: Bools, decided_at: Times) -> None:
        """Add the changes of the condition at these records."""
        before = np.concatenate(([self._stopped], stopped[:-1]))
        for k in np.flatnonzero(stopped != before).tolist():  # few
            detail = (
                "the device's clock stands still while records arrive: they have no time and count "
                "for no cell; restart the device"
            )
            change = Condition(
                AlarmKind.CLOCK,
                self._device,
                int(decided_at[k]),
                holds=bool(stopped[k]),
                detail=detail if stopped[k] else "",
            )
            self.conditions.append(change)
        self._stopped = bool(stopped[-1])
