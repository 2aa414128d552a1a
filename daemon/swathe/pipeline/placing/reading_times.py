"""When a gauge gave readings: its usual interval, its silences, and what is still on its way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Times
from swathe.pipeline.placing.doubts import Doubts
from swathe.pipeline.placing.interval import UsualInterval
from swathe.pipeline.placing.longest_interval import LongestInterval
from swathe.pipeline.placing.timing import Timing
from swathe.pipeline.placing.track import NEVER_KNOWN
from swathe.pipeline.placing.unread_times import UnreadTimes

__all__ = ["ReadingPace", "ReadingTimes", "Settled"]

# A gauge without a reading for so many of its usual intervals was silent.
_SILENT_INTERVALS = 4
# So many readings that a number shows to be lost at once are placed.
_MOST_LOST = 65_536
_BEFORE_ALL = int(np.iinfo(np.int64).min) // 2


@dataclass(frozen=True, slots=True)
class Settled:
    """What is known of the readings around samples, shape (n,) each.

    Attributes:
        settled: journal time from which all readings up to the sample are in, ns, rising.
        silent: whether the gauge was silent around the sample.
        inside: whether it was silent so long before and after that no reading of another time can
            have been taken there.
        smear: by how much the sample, or the readings around it, may be older than their times say, ns.
        unread: whether the gauge may have sent readings around the sample that could not be read.
    """

    settled: Times
    silent: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    smear: Times
    unread: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ReadingPace:
    """How evenly a gauge reads, at n moments, shape (n,) each, ns; 0 while unknown.

    Attributes:
        usual: its usual interval.
        longest: the longest one of late that was no silence.
    """

    usual: Times
    longest: Times


class ReadingTimes:
    """The times of the readings that the probe's path may still need.

    Args:
        lateness_ns: how long a reading may be on its way.

    Attributes:
        held_since: journal time of the oldest reading that arrived and waits until its time is
            known, ns; None while none does.
        unread: when what the gauge sent could not be read.
        doubts: silences that were none as readings show that came late, since they were taken last.
    """

    def __init__(self, lateness_ns: int) -> None:
        self.held_since: int | None = None
        self.unread = UnreadTimes()
        self.doubts: list[Doubts] = []
        self._lateness = lateness_ns
        self._usual = UsualInterval()
        self._longest_of = LongestInterval()
        # Times held in order, the journal times from which they are known, and the usual interval
        # then; the journal times of their bytes, and how they show a silence before them.
        self._times: Times = np.empty(0, np.int64)
        self._known: Times = np.empty(0, np.int64)
        self._intervals: Times = np.empty(0, np.int64)
        self._longest: Times = np.empty(0, np.int64)
        self._arrived: Times = np.empty(0, np.int64)
        self._missing: NDArray[np.int64] = np.empty(0, np.int64)
        self._smear: Times = np.empty(0, np.int64)
        # Of readings that were dropped for want of a time: when they arrived, and when that was known.
        self._dropped: Times = np.empty((2, 0), np.int64)

    def __len__(self) -> int:
        """Return the number of readings that are kept."""
        return int(self._times.size)

    @property
    def usual(self) -> int:
        """The usual time from reading to reading, ns; 0 while unknown."""
        return self._usual.value

    def add(
        self,
        times: Times,
        known: Times,
        timing: Timing | None = None,
        arrived: Times | None = None,
    ) -> None:
        """Add readings.

        Args:
            times: ns, shape (n,).
            known: journal times from which they are known, ns, rising, shape (n,).
            timing: what the times rest on; by default a clock.
            arrived: journal times with which they arrived, ns, rising, shape (n,); by default
                `known`.
        """
        if not times.size:
            return
        timing = Timing.of(times, known) if timing is None else timing
        arrived = known if arrived is None else arrived
        first = self._times.size
        floor = self._times[-1] if self._times.size else times[0]
        ordered = np.maximum.accumulate(np.maximum(times, floor))
        usual = self._usual.follow(ordered)
        steps = np.diff(ordered, prepend=floor)
        silent = (steps > _SILENT_INTERVALS * usual) | (timing.missing > 0)
        longest = self._longest_of.follow(steps, silent)
        self._longest = np.concatenate((self._longest, longest))
        self._times = np.concatenate((self._times, ordered))
        self._known = np.concatenate((self._known, known))
        self._intervals = np.concatenate((self._intervals, usual))
        self._arrived = np.concatenate((self._arrived, arrived))
        self._missing = np.concatenate((self._missing, timing.missing))
        self._smear = np.concatenate((self._smear, timing.smear))
        self._doubt(max(first, 1))

    def _doubt(self, first: int) -> None:
        """Find silences that were none before the readings from the number `first` on."""
        # Without what had not come by then the path did not wait any longer.
        waited = np.maximum(self._lateness, 2 * self._intervals[first - 1 : -1])
        late = self._arrived[first:] > self._times[first - 1 : -1] + waited
        if not late.any():
            return
        after = np.flatnonzero(late) + first
        before = after - 1
        since, until = self._times[before], self._times[after]
        smear = np.maximum(self._smear[before], self._smear[after])
        was_silent = until - since - 2 * smear > _SILENT_INTERVALS * self._intervals[after]
        was_silent |= self._missing[after] > 0
        # What could not be read is as late as one of the readings around it, or in time.
        held_up = self._arrived[after] - until > self._lateness
        held_up |= self._arrived[before] - since > self._lateness
        unread = self.unread.within(self._arrived[before], self._arrived[after])
        unread &= was_silent & held_up
        rows = (unread | ~was_silent) & (until > since)
        if rows.any():
            probe = np.zeros(np.count_nonzero(rows), np.int64)
            known = self._known[after]
            self.doubts.append(Doubts(since[rows], until[rows], known[rows], unread[rows], probe))

    def drop(self, arrived: Times, known: Times) -> None:
        """Add readings that have no time, for which the path waited.

        Args:
            arrived: journal times with which they arrived, ns, rising, shape (n,).
            known: journal times from which it is known that they have none, ns, rising.
        """
        self._dropped = np.concatenate((self._dropped, np.stack((arrived, known))), axis=1)

    def pace_at(self, times: Times) -> ReadingPace:
        """Return the pace that is known at journal times since the last call."""
        if not self._intervals.size:
            return ReadingPace(np.zeros(times.shape, np.int64), np.zeros(times.shape, np.int64))
        number = np.searchsorted(self._known, times, side="right")
        at = np.maximum(number - 1, 0)
        return ReadingPace(
            usual=np.where(number > 0, self._intervals[at], 0),
            longest=np.where(number > 0, self._longest[at], 0),
        )

    def settle(
        self, times: Times, known: Times, last_settled: int, smeared: Times | None = None
    ) -> Settled:
        """Return what is known of the readings around each sample, shape (n,).

        Args:
            times: of samples on the scan axis, ns, rising, shape (n,).
            known: journal times from which the position at each is known, ns, shape (n,).
            last_settled: what was returned for the sample before, ns.
            smeared: by how much the samples may be older than their times say, ns, shape (n,).
        """
        readings, arrived = self._times, self._known
        after = np.searchsorted(readings, times, side="left")
        arrived_or_never = np.append(arrived, NEVER_KNOWN)
        # A slow gauge is not a silent one: wait for twice the interval that was usual then.
        number = np.minimum(after, np.searchsorted(arrived, times + self._lateness, side="right"))
        usual = np.append(0, self._intervals)[number]
        deadline = self._all_known(times + np.maximum(self._lateness, 2 * usual))
        settled = np.maximum(known, np.minimum(arrived_or_never[after], deadline))
        if settled.size:
            settled = np.maximum.accumulate(np.maximum(settled, last_settled))
        # Without a reading after it by then, the gauge was silent until then.
        absent = arrived_or_never[after] > settled
        following = np.where(absent, settled, np.append(readings, 0)[after])
        number_before = np.where(
            absent, np.minimum(after, np.searchsorted(arrived, settled, side="right")), after
        )
        before = np.where(number_before > 0, np.append(0, readings)[number_before], times)
        number = np.searchsorted(arrived, settled, side="right")
        usual = np.append(0, self._intervals)[number]
        # That of the reading before, of the one after, and of the newest one.
        smears = np.append(0, self._smear)
        following_smear = np.where(absent, 0, np.append(self._smear, 0)[after])
        smear = np.maximum(np.maximum(smears[number_before], smears[number]), following_smear)
        # Deliveries that differ by the smear leave holes between arrivals, on either side.
        silence = following - before - 2 * smear
        long = np.where(usual > 0, silence > _SILENT_INTERVALS * usual, absent)
        if smeared is not None:
            smear = np.maximum(smear, smeared)
        inside = long & (times - before >= smear) & (absent | (following - times >= smear))
        # Between the bytes of the reading before and those of the one after.
        since = np.where(number_before > 0, np.append(0, self._arrived)[number_before], times)
        until = np.where(absent, settled, np.append(self._arrived, 0)[after])
        unread = self.unread.within(since, until)
        return Settled(settled, long, inside, smear, unread)

    def lost(self, times: Times, settled: Times) -> Times:
        """Return when readings would have been taken that are lost by their number, ns, rising.

        They are evenly between the reading before and the one after, as far as that was known by when
        the path there settled.

        Args:
            times: of samples on the scan axis, ns, rising, shape (n,); those up to the first one
                are left out.
            settled: what `settle` returned for them, ns, shape (n,).
        """
        rows: NDArray[np.int64] = np.flatnonzero(self._missing > 0)
        rows = rows[rows > 0]
        rows = rows[(self._times[rows] > times[0]) & (self._times[rows - 1] < times[-1])]
        if not rows.size:
            return rows
        counts = np.minimum(self._missing[rows], _MOST_LOST)
        number = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts) + 1
        before = np.repeat(self._times[rows - 1], counts)
        span = np.repeat(self._times[rows] - self._times[rows - 1], counts)
        lost = before + span * number // np.repeat(counts + 1, counts)
        known = np.repeat(self._known[rows], counts)
        within = (lost > times[0]) & (lost <= times[-1])
        lost, known = lost[within], known[within]
        return np.asarray(lost[known <= settled[np.searchsorted(times, lost)]])

    def _all_known(self, times: Times) -> Times:
        """Return from when the times of all readings that arrived until `times` are known, ns.

        `NEVER_KNOWN` where some are not known by now; shape as `times`.
        """
        number = np.searchsorted(self._arrived, times, side="right")
        known: Times = np.maximum(times, np.append(_BEFORE_ALL, self._known)[number])
        number = np.searchsorted(self._dropped[0], times, side="right")
        known = np.maximum(known, np.append(_BEFORE_ALL, self._dropped[1])[number])
        if self.held_since is None:
            return known
        return np.where(times < self.held_since, known, NEVER_KNOWN)

    def forget(self, horizon: int, arrived: int) -> None:
        """Drop what nobody asks for any more.

        Args:
            horizon: no later sample is before this time, ns.
            arrived: nor asks for what was known before this journal time, ns.
        """
        if (waited := int(np.searchsorted(self._dropped[0], arrived)) - 1) > 0:
            self._dropped = self._dropped[:, waited:]
        self.unread.forget(min(arrived, int(self._arrived[0])) if self._arrived.size else arrived)
        # The one before the horizon as well, and what had arrived when a later sample was due.
        keep = min(
            int(np.searchsorted(self._times, horizon)),
            int(np.searchsorted(self._known, arrived, side="right")),
        )
        if (keep := keep - 1) > 0:
            for name in (
                "_times",
                "_known",
                "_intervals",
                "_longest",
                "_arrived",
                "_missing",
                "_smear",
            ):
                setattr(self, name, getattr(self, name)[keep:])
