"""Following the line of a device's records: which ones it is proven for, and where it no longer applies.

A record that is in time proves that all before it are numbered right; those behind the newest such
record wait. If none is in time for a while, records were lost (a count falls behind by whole
periods), or the rate changed or the device was restarted: the line is broken. Records that come
earlier than possible were sent twice, or the device runs faster now.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats
from swathe.pipeline.placing.pulse_line import PulseLine, PulseNumbers, PulseRows
from swathe.pipeline.placing.pulse_period import PeriodSearch
from swathe.pipeline.placing.timing import Timing

__all__ = ["LineFollower"]

# On the line means within this share of a period, or within these times where it is short: a record
# behind a lost one is a whole period late by its count.
_IN_TIME, _IN_TIME_NUMBERED_NS, _IN_TIME_COUNTED_NS = 0.75, 2e6, 1e6
# Without a record in time for so long and so many records, the line no longer applies; by a number
# that shows nothing else, after longer. While delays fall, a queue is being worked off, and as long
# as this is waited.
_LATE_NS, _LATE_NUMBERED_NS, _DRAIN_NS = 250_000_000, 2_000_000_000, 10_000_000_000
_LATE_RECORDS, _FEW_LATE_NS = 128, 4_000_000_000
# Delays that fall by this share of a period, or this time where it is short, fall; those that rise by
# so many periods meanwhile are those of another rate.
_FALL, _FALL_NS, _RISE = 0.25, 0.5e6, 3
# A count that falls behind by more periods is not corrected, but begins again; nor is one by which
# records were sent so often.
_MOST_LOST, _MOST_TWICE = 1000, 3
# Of so few lost ones it is in doubt behind which record they were; after more there is a silence.
_DOUBTED = 3
# So much less than a period late, a record is not behind a lost one.
_CLOSE = 0.1
# A period that differs by no more is the same.
_SAME_PERIOD = 0.001
# The minimum of a standard uncertainty.
_FLOOR_NS = 20_000


class LineFollower:
    """Resolves the times of records by a line, as far as it is proven for them.

    Args:
        line: of the device.
        numbers: numbers its records; a count is corrected.
        numbered: whether the device sends the number.
        sure: whether the period of a count is known apart from the count.

    Attributes:
        line: as given.
        broken: whether the line no longer applies to what is left.
        period: that of the arrivals of a count, where it is not the line's, ns; None without one.
        lost: records that a count fell behind.
    """

    def __init__(
        self, line: PulseLine, numbers: PulseNumbers, *, numbered: bool, sure: bool
    ) -> None:
        self.line = line
        self.broken = False
        self.period: float | None = None
        self.lost = 0
        self._numbers = numbers
        self._numbered = numbered
        self._sure = sure
        self._search = PeriodSearch()
        self._newest: int | None = None  # number of the newest record that was resolved
        self._above, self._count = 0.0, 0  # sum of delays and count of the records on the line

    def follow(self, rows: PulseRows, due: int) -> tuple[list[Timing], PulseRows]:
        """Return the times of the first records, as far as they are proven, and the others.

        Args:
            rows: all records that are not resolved.
            due: the journal time, ns.
        """
        parts: list[Timing] = []
        while len(rows) and not self.broken:
            late = self.line.late(rows)
            end, restarted = self._end(rows, late)
            if end < len(rows):
                twice = round(-float(late[end:].min()) / self.line.period)
                if not (self._numbered or restarted) and 1 <= twice <= _MOST_TWICE:
                    # Sent twice, and counted twice. Which one was is not known; all behind it are
                    # too high.
                    rows = rows.shifted(-twice, first=end)
                    self._numbers.shift(-twice)
                    continue
                if end:  # in time or not, they are of the line so far
                    parts.append(self._resolve(rows[:end], late[:end], due, fit=False))
                    rows = rows[end:]
                self.broken = True
                break
            on_line = np.flatnonzero(late <= self._in_time)
            if on_line.size:
                proven = int(on_line[-1]) + 1
                self._look_at_period(rows[:proven], late[:proven])
                parts.append(self._resolve(rows[:proven], late[:proven], due))
                rows, late = rows[proven:], late[proven:]
            if not len(rows):
                break
            if self._is_silent(rows, due):
                # Nothing shows that these are not as late as others were.
                parts.append(self._resolve(rows, late, due, fit=False))
                return parts, rows[:0]
            lost = self._lost(rows, late, due)
            if lost is None:
                break
            rows = self._behind_lost(rows, late, lost)
        return parts, rows

    def resolve_all(self, rows: PulseRows, due: int) -> Timing:
        """Return the times of records by the line, proven or not."""
        return self._resolve(rows, self.line.late(rows), due, fit=False)

    @property
    def _in_time(self) -> float:
        """How late a record on the line may be, ns."""
        period = self.line.period
        if not self._numbered:
            return max(_IN_TIME * period, min(_IN_TIME_COUNTED_NS, 0.9 * period))
        usual = self._above / self._count if self._count else 0.0
        return max(_IN_TIME * period, _IN_TIME_NUMBERED_NS, usual / 2)

    def _end(self, rows: PulseRows, late: Floats) -> tuple[int, bool]:
        """Return the first record that is not of the line, and whether numbers began again there."""
        early = np.flatnonzero(late < -self._in_time)
        back = rows.restarts(self._newest)
        first_early = int(early[0]) if early.size else len(rows)
        first_back = int(back[0]) if back.size else len(rows)
        return min(first_early, first_back), first_back <= first_early

    def _resolve(self, rows: PulseRows, late: Floats, due: int, *, fit: bool = True) -> Timing:
        """Return the times of records by the line, which is fitted to them first."""
        if fit and (certain := rows.doubt == 0).any():
            self.line.fit(rows.only(certain))
        self._newest = int(rows.number[-1])
        self._above += float(np.maximum(late, 0.0).sum())
        self._count += len(rows)
        bound = min(self.line.uncertainty, self.line.period)
        return Timing(
            time=self.line.times(rows),
            known=np.full(len(rows), due),
            missing=rows.missing,
            uncertainty=np.maximum(max(round(bound), _FLOOR_NS), rows.doubt // 2),
            smear=rows.doubt,
        )

    def _look_at_period(self, rows: PulseRows, late: Floats) -> None:
        """Compare a count's line with the period of arrivals, which a lost record does not change."""
        if self._numbered:
            return
        k = int(np.argmin(late))
        period = self._search.add(int(rows.arrival[k]), float(late[k]), self.line.period)
        if period and not (self._sure and abs(period / self.line.scale - 1) <= _SAME_PERIOD):
            self.period = period

    def _is_silent(self, rows: PulseRows, due: int) -> bool:
        return len(rows) < _LATE_RECORDS and due - int(rows.known[-1]) >= 2 * _LATE_NS

    def _lost(self, rows: PulseRows, late: Floats, due: int) -> int | None:
        """Return how many records were lost before some of which none is in time.

        None while they wait, and where the line is broken.
        """
        waited = due - int(rows.known[0])
        few = len(rows) < _LATE_RECORDS
        if waited < (_FEW_LATE_NS if few else _LATE_NS):
            return None
        period = self.line.period
        recent = late[min(int(np.searchsorted(rows.known, due - _LATE_NS)), len(rows) - 2) :]
        half = recent.size // 2
        rise = float(recent[half:].min() - recent[:half].min()) if half else 0.0
        if rise < -max(_FALL * period, _FALL_NS) and waited < _DRAIN_NS:
            return None  # a queue is being worked off
        if not self._numbered and rise < _RISE * period:
            # The fastest of them is on the line by its true number.
            lost = int((float(late.min()) + period - self._in_time) / period)
            if 1 <= lost <= _MOST_LOST:
                return lost
        if self._numbered and abs(rise) < _RISE * period and waited < _LATE_NUMBERED_NS:
            return None  # delayed alike
        self.broken = True
        return None

    def _behind_lost(self, rows: PulseRows, late: Floats, lost: int) -> PulseRows:
        """Return records of a count behind so many lost ones."""
        self._numbers.shift(lost)
        self.lost += lost
        behind = late - lost * self.line.period
        # What would be early behind them was before them.
        before = np.flatnonzero(behind < -_CLOSE * self.line.period)
        first = min(int(before[-1]) + 1 if before.size else 0, len(rows) - 1)
        # Of those up to the next one in time it is in doubt.
        in_time = first + int(np.argmax(behind[first:] <= self._in_time))
        doubt: NDArray[np.int64] = rows.doubt.copy()
        if lost <= _DOUBTED:
            doubt[: in_time + 1] = round(lost * self.line.period)
        missing = rows.missing.copy()
        missing[first] += lost
        rows = rows.shifted(lost, first=first)
        return PulseRows(rows.number, rows.arrival, rows.known, missing, doubt)
