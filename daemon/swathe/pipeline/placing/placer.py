"""The position of each reading, and the path of the probe.

A reading waits until encoder samples bracket its time on every encoded axis; it is then placed by
linear interpolation. One that no pair of samples brackets within the limit is counted as unplaced.
Readings that carry their own counts (combined records) are placed by those.

The path of the probe is known up to the time for which all readings are in, so that no cell counts
as missing only because its reading is still on the line.

Whether a reading is placed, and from which journal time on, follows from the times of arrival of
readings and samples; how often `place` and `take_path` are called changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import steps_of
from swathe.pipeline.placing.interval import UsualInterval
from swathe.pipeline.placing.track import NEVER_KNOWN, EncodedTrack, SteppedTrack
from swathe_drivers.records import READING

__all__ = ["Placed", "Placer", "PlacingObserver", "ProbePath"]

# Before all times, and far enough from the end of int64 to be moved by some.
_NEVER = int(np.iinfo(np.int64).min) // 2
# A gauge without a reading for so many of its usual intervals was silent.
_SILENT_INTERVALS = 4
# Readings and samples are kept for so many times the longest wait, whatever is lost meanwhile.
_KEPT_WAITS = 30


@dataclass(frozen=True, slots=True)
class Placed:
    """Readings with their positions; row i of each column belongs together.

    Attributes:
        readings: shape (n,), dtype `READING`, in order of `known` and then of time.
        scan: mm, shape (n,).
        index: mm, shape (n,).
        known: journal time from which the position is known, ns, shape (n,).
    """

    readings: NDArray[Any]
    scan: NDArray[np.float64]
    index: NDArray[np.float64]
    known: NDArray[np.int64]

    def __getitem__(self, rows: Any) -> Placed:  # noqa: ANN401  whatever indexes an array
        """Return some rows."""
        return Placed(self.readings[rows], self.scan[rows], self.index[rows], self.known[rows])

    @staticmethod
    def joined(parts: list[Placed]) -> Placed:
        """Return the readings of all parts, in order."""
        if len(parts) == 1:
            return parts[0]
        return Placed(
            np.concatenate([part.readings for part in parts]),
            np.concatenate([part.scan for part in parts]),
            np.concatenate([part.index for part in parts]),
            np.concatenate([part.known for part in parts]),
        ).in_order()

    def in_order(self) -> Placed:
        """Return the readings in order of `known`, those known at once in order of time."""
        times = self.readings["time"]
        later, same = np.diff(self.known), np.diff(times)
        if not ((later < 0) | ((later == 0) & (same < 0))).any():
            return self
        return self[np.lexsort((times, self.known))]


@dataclass(frozen=True, slots=True)
class ProbePath:
    """A piece of the probe's path through n samples, shape (n,) each; it continues the one before.

    Attributes:
        time: ns.
        scan: mm.
        index: mm.
        known: whether the path from the sample before to this one is known, shape (n,); the
            first is the join to the piece before.
        resets: whether the sample is a position reset: no path leads to it, shape (n,).
        silent: whether the gauge was silent around the sample, rather than too slow for the
            probe, shape (n,).
        settled: journal time from which all readings up to the sample are in, ns, rising.
    """

    time: NDArray[np.int64]
    scan: NDArray[np.float64]
    index: NDArray[np.float64]
    known: NDArray[np.bool_]
    resets: NDArray[np.bool_]
    silent: NDArray[np.bool_]
    settled: NDArray[np.int64]

    def without(self, dropped: NDArray[np.bool_], apart: NDArray[np.bool_]) -> ProbePath | None:
        """Return the path without some samples; None when no sample is left.

        Args:
            dropped: which samples are left out, shape (n,).
            apart: to which samples no path leads any more, shape (n,).
        """
        if not (dropped.any() or apart.any()):
            return self
        kept = ~dropped
        if not kept.any():
            return None
        return ProbePath(
            time=self.time[kept],
            scan=self.scan[kept],
            index=self.index[kept],
            known=(self.known & ~apart)[kept],
            resets=(self.resets | apart)[kept],
            silent=self.silent[kept],
            settled=self.settled[kept],
        )


class Placer:
    """Keeps readings without bracket, and samples that may bracket more.

    Args:
        scan: the scan axis's track.
        index: the index axis's track.
        bracket_ns: widest pair of samples that places a reading.
        lateness_ns: how long a reading or sample may be on its way.

    Attributes:
        unplaced: readings given up so far.
    """

    def __init__(
        self,
        *,
        scan: EncodedTrack,
        index: EncodedTrack | SteppedTrack,
        bracket_ns: int,
        lateness_ns: int,
    ) -> None:
        self.scan = scan
        self.index = index
        self._lateness = lateness_ns
        self._bracket = bracket_ns
        self._wait = bracket_ns + lateness_ns
        self._kept = _KEPT_WAITS * self._wait
        self._pending: NDArray[Any] = np.empty(0, READING)
        self._pending_known: NDArray[np.int64] = np.empty(0, np.int64)
        self._usual = UsualInterval()
        # Of all readings that the path may still need: times held in order, the journal times
        # with which they arrived, and the usual interval then.
        self._reading_times: NDArray[np.int64] = np.empty(0, np.int64)
        self._reading_known: NDArray[np.int64] = np.empty(0, np.int64)
        self._reading_usual: NDArray[np.int64] = np.empty(0, np.int64)
        self._path_samples = 0
        # Ends of the pieces of path that settled since readings were placed last.
        self._ends: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        self._last_end = _NEVER
        self._last_settled = _NEVER
        self.unplaced = 0

    @property
    def pending(self) -> int:
        """Readings that wait for their bracket."""
        return int(self._pending.size)

    @property
    def interval_ns(self) -> int:
        """The gauge's usual time from reading to reading, ns; 0 while unknown."""
        return self._usual.value

    def intervals_at(self, times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the usual interval known at journal times since the last call, ns; 0 for none."""
        number = np.searchsorted(self._reading_known, times, side="right")
        if not self._reading_usual.size:
            return np.zeros(times.shape, np.int64)
        return np.where(number > 0, self._reading_usual[np.maximum(number - 1, 0)], 0)

    @property
    def oldest_pending(self) -> int | None:
        """Byte offset of the first reading that waits; None when none does."""
        return int(self._pending["offset"].min()) if self._pending.size else None

    def add_readings(self, readings: NDArray[Any], known: NDArray[np.int64] | None = None) -> None:
        """Take readings that are to be placed by time.

        Args:
            readings: dtype `READING`, shape (n,).
            known: journal times with which they arrived, ns, rising; by default their own times.
        """
        if not readings.size:
            return
        known = readings["time"] if known is None else known
        self._note_times(readings["time"], known)
        if self._pending.size:
            readings = np.concatenate((self._pending, readings))
            known = np.concatenate((self._pending_known, known))
        self._pending, self._pending_known = readings, known

    def place_combined(
        self,
        readings: NDArray[Any],
        scan: NDArray[np.float64],
        index: NDArray[np.float64] | None,
        known: NDArray[np.int64] | None = None,
    ) -> Placed:
        """Return combined readings placed by their own positions in mm, shape (n,) each.

        Without an `index` column the line in force at the time of the reading is taken. A position
        that was no good is NaN, and its reading unplaced.
        """
        known = readings["time"] if known is None else known
        self._note_times(readings["time"], known)
        if index is None:
            index = self.index.locate(readings["time"]).position
        good = np.isfinite(scan) & np.isfinite(index)
        if good.all():
            return Placed(readings, scan, index, known)
        self.unplaced += int(np.count_nonzero(~good))
        return Placed(readings[good], scan[good], index[good], known[good])

    def place(self, now: int) -> Placed:
        """Return the readings whose position is known at the journal time `now`, ns.

        Those that no pair of samples brackets, and can be bracketed no more, are counted.
        """
        times, arrived = np.ascontiguousarray(self._pending["time"]), self._pending_known
        after = self.scan.samples_before(times)
        bracketed = self.scan.bracketed_from(times, after)
        if isinstance(self.index, EncodedTrack):
            bracketed = np.maximum(bracketed, self.index.bracketed_from(times))
        given_up = np.maximum(times + self._wait, arrived)
        # The samples around these are dropped, or may be.
        too_late = times < np.maximum(arrived - self._kept, self._path_end(arrived) - self._wait)
        in_time = (bracketed <= given_up) & ~too_late
        due = (in_time & (bracketed <= now)) | (~in_time & ((given_up < now) | too_late))
        number = int(np.count_nonzero(due))
        now_due: slice | NDArray[np.bool_] = due
        later: slice | NDArray[np.bool_] = ~due
        if due[:number].all():  # mostly; a slice copies nothing
            now_due, later = slice(0, number), slice(number, None)
        ready, self._pending = self._pending[now_due], self._pending[later]
        self._pending_known = arrived[later]
        times, after = times[now_due], after[now_due]
        scan, index = self.scan.locate(times, after), self.index.locate(times)
        known = np.maximum(bracketed[now_due], arrived[now_due])
        placed = Placed(ready, scan.position, index.position, known)
        good = in_time[now_due] & scan.known & index.known
        if not good.all():
            self.unplaced += int(np.count_nonzero(~good))
            placed = placed[good]
        return placed.in_order()

    def _path_end(self, arrived: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return how far the path was settled before each of `arrived`, ns."""
        settled = np.concatenate([[_NEVER], *(settled for settled, _ in self._ends)])
        ends = np.concatenate([[self._last_end], *(end for _, end in self._ends)])
        return np.asarray(ends[np.maximum(np.searchsorted(settled, arrived) - 1, 0)])

    def take_path(self, now: int) -> ProbePath | None:
        """Return the probe's path since the last call, as far as all readings are in at `now`."""
        track = self.scan
        first = max(self._path_samples - track.forgotten, 0)
        joined = first > 0
        start = first - joined
        times = track.times[start : track.settled]
        index = self.index.locate(times)
        settled, silent = self._settle(times[joined:], track.known[first : track.settled])
        count = int(np.searchsorted(settled, now, side="right"))
        if not count:
            return None
        whole = slice(0, count + joined)
        times, scan = times[whole], track.positions[start : first + count]
        at, index_known = index.position[whole], index.known[whole]
        settled = np.concatenate((np.full(int(joined), self._last_settled), settled[:count]))
        silent = np.concatenate((np.zeros(int(joined), bool), silent[:count]))
        resets = track.resets[start : first + count]
        if isinstance(self.index, EncodedTrack):
            resets = resets | self.index.reset_within(times)
        if self._path_samples < track.forgotten:
            resets[0] = True  # samples were dropped before they were settled
        known = steps_of(times, times[0]) <= self._bracket
        known |= steps_of(scan, scan[0]) == 0
        known &= index_known & ~resets
        if isinstance(self.index, SteppedTrack):
            # Between two lines the probe is carried over; it crossed no cell on the way.
            known &= steps_of(at, at[0]) == 0
        if not joined:
            known[0] = False
        self._path_samples = track.forgotten + first + count
        self._last_settled = int(settled[-1])
        self._ends.append((settled[joined:], times[joined:]))
        path = ProbePath(times, scan, at, known, resets, silent, settled)
        # What belongs to samples that settled so late may be dropped already: whether it is
        # depends on how often `forget` was called.
        late = settled - times > self._kept
        return path.without(late, np.concatenate(([False], late[:-1])))

    def _settle(
        self, times: NDArray[np.int64], sampled: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return from which journal time all readings up to each sample are in, and its silence.

        Args:
            times: of samples on the scan axis, ns, rising, shape (n,).
            sampled: journal times with which they arrived, ns, shape (n,).
        """
        known = sampled
        if isinstance(self.index, EncodedTrack):
            known = np.maximum(known, self.index.bracketed_from(times))
        readings, arrived = self._reading_times, self._reading_known
        after = np.searchsorted(readings, times, side="left")
        arrived_or_never = np.append(arrived, NEVER_KNOWN)
        # A slow gauge is not a silent one: wait for twice the interval that was usual then.
        number = np.minimum(after, np.searchsorted(arrived, times + self._lateness, side="right"))
        usual = np.append(0, self._reading_usual)[number]
        deadline = times + np.maximum(self._lateness, 2 * usual)
        settled = np.maximum(known, np.minimum(arrived_or_never[after], deadline))
        if settled.size:
            settled = np.maximum.accumulate(np.maximum(settled, self._last_settled))
        # Without a reading after it by then, the gauge was silent until then.
        absent = arrived_or_never[after] > settled
        following = np.where(absent, settled, np.append(readings, 0)[after])
        number = np.where(
            absent, np.minimum(after, np.searchsorted(arrived, settled, side="right")), after
        )
        before = np.where(number > 0, np.append(0, readings)[number], times)
        number = np.searchsorted(arrived, settled, side="right")
        usual = np.append(0, self._reading_usual)[number]
        silence = following - before
        return settled, np.where(usual > 0, silence > _SILENT_INTERVALS * usual, absent)

    def _note_times(self, times: NDArray[np.int64], known: NDArray[np.int64]) -> None:
        if not times.size:
            return
        floor = self._reading_times[-1] if self._reading_times.size else times[0]
        ordered = np.maximum.accumulate(np.maximum(times, floor))
        usual = self._usual.follow(ordered)
        self._reading_times = np.concatenate((self._reading_times, ordered))
        self._reading_known = np.concatenate((self._reading_known, known))
        self._reading_usual = np.concatenate((self._reading_usual, usual))

    def forget(self, now: int) -> None:
        """Drop what no reading and no sample after the journal time `now` can need."""
        if self._ends:
            self._last_end = int(self._ends[-1][1][-1])
            self._ends.clear()
        horizon = max(self._last_end - self._wait, now - self._kept)
        if self._pending.size:
            horizon = min(horizon, int(self._pending["time"].min()))
        self.scan.forget_before(horizon)
        self.index.forget_before(horizon)
        # The one before the horizon as well, and what had arrived when a later sample was due.
        arrived = max(self._last_end, now - self._kept) + self._lateness
        keep = min(
            int(np.searchsorted(self._reading_times, horizon)),
            int(np.searchsorted(self._reading_known, arrived, side="right")),
        )
        if (keep := keep - 1) > 0:
            self._reading_times = self._reading_times[keep:]
            self._reading_known = self._reading_known[keep:]
            self._reading_usual = self._reading_usual[keep:]


class PlacingObserver(Protocol):
    """Receives placed readings and the path, for what a scan measures in addition to its cells."""

    def placed(self, placed: Placed) -> None:
        """Receive readings with their positions."""
        ...

    def moved_along(self, path: ProbePath) -> None:
        """Receive a piece of the probe's path."""
        ...
