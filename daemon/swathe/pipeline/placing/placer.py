"""The position of each reading, and the path of the probe.

A reading waits until encoder samples bracket its time on every encoded axis; it is then placed by
linear interpolation. One that no pair of samples brackets within the limit is counted as unplaced.
Readings that carry their own counts (combined records) are placed by those.

The path of the probe is known up to the time for which all readings are in, so that no cell counts
as missing only because its reading is still on the line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.track import EncodedTrack, SteppedTrack
from swathe_drivers.records import READING

__all__ = ["Placed", "Placer", "PlacingObserver", "ProbePath"]

_NEVER = np.iinfo(np.int64).min
# A gauge without a reading for so many of its usual intervals was silent.
_SILENT_INTERVALS = 4


@dataclass(frozen=True, slots=True)
class Placed:
    """Readings with their positions; row i of each column belongs together.

    Attributes:
        readings: shape (n,), dtype `READING`, in order of time.
        scan: mm, shape (n,).
        index: mm, shape (n,).
    """

    readings: NDArray[Any]
    scan: NDArray[np.float64]
    index: NDArray[np.float64]


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
        silence: ns between the readings around each sample, shape (n,).
        usual: ns, the gauge's usual interval between two readings.
    """

    time: NDArray[np.int64]
    scan: NDArray[np.float64]
    index: NDArray[np.float64]
    known: NDArray[np.bool_]
    resets: NDArray[np.bool_]
    silence: NDArray[np.int64]
    usual: int

    @property
    def silent(self) -> NDArray[np.bool_]:
        """Where the gauge was silent, rather than too slow for the probe, shape (n,)."""
        return self.silence > _SILENT_INTERVALS * self.usual


class Placer:
    """Keeps readings without bracket, and samples that may bracket more.

    Args:
        scan: the scan axis's track.
        index: the index axis's track.
        bracket_ns: widest pair of samples that places a reading.
        lateness_ns: how long a reading or sample may be on its way.
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
        self._bracket = bracket_ns
        self._lateness = lateness_ns
        self._pending: NDArray[Any] = np.empty(0, READING)
        self._reading_times: NDArray[np.int64] = np.empty(0, np.int64)
        self._path_samples = 0
        self._usual = 0.0
        self.unplaced = 0
        self.now = _NEVER

    @property
    def pending(self) -> int:
        """Readings that wait for their bracket."""
        return int(self._pending.size)

    @property
    def interval_ns(self) -> float:
        """The gauge's usual time from reading to reading, ns; 0 while unknown."""
        return self._usual

    @property
    def oldest_pending(self) -> int | None:
        """Byte offset of the first reading that waits; None when none does."""
        return int(self._pending["offset"].min()) if self._pending.size else None

    def add_readings(self, readings: NDArray[Any]) -> None:
        """Take readings that are to be placed by time."""
        if readings.size:
            self._note_times(readings["time"])
            self._pending = np.concatenate((self._pending, readings))

    def place_combined(
        self,
        readings: NDArray[Any],
        scan: NDArray[np.float64],
        index: NDArray[np.float64] | None,
    ) -> Placed:
        """Return combined readings placed by their own positions in mm, shape (n,) each.

        Without an `index` column the line in force at the time of the reading is taken. A position
        that was no good is NaN, and its reading unplaced.
        """
        self._note_times(readings["time"])
        if index is None:
            index = self.index.locate(readings["time"]).position
        known = np.isfinite(scan) & np.isfinite(index)
        self.unplaced += int(np.count_nonzero(~known))
        return Placed(readings[known], scan[known], index[known])

    def place(self) -> Placed:
        """Return the readings that are bracketed by now; count those that never will be."""
        encoded = [track for track in (self.scan, self.index) if isinstance(track, EncodedTrack)]
        ends = [track.last_time for track in encoded]
        bracketed = _NEVER if None in ends else min(end for end in ends if end is not None)
        times = self._pending["time"]
        given_up = self.now - self._bracket - self._lateness
        due = (times <= bracketed) | (times < given_up)
        ready, self._pending = self._pending[due], self._pending[~due]
        ready = ready[np.argsort(ready["time"], kind="stable")]
        scan = self.scan.locate(ready["time"])
        index = self.index.locate(ready["time"])
        known = scan.known & index.known
        self.unplaced += int(np.count_nonzero(~known))
        # While an encoder is lost no path is taken, and nothing would be dropped by that.
        self._forget(self.now - 4 * (self._bracket + self._lateness))
        return Placed(ready[known], scan.position[known], index.position[known])

    def take_path(self) -> ProbePath | None:
        """Return the probe's path since the last call, as far as all readings are in."""
        track = self.scan
        first = max(self._path_samples - track.forgotten, 0)
        last = int(np.searchsorted(track.times, self._settled(), side="right"))
        if last <= first:
            return None
        joined = self._path_samples - track.forgotten > 0
        start = first - joined
        times, scan = track.times[start:last], track.positions[start:last]
        index = self.index.locate(times)
        spans = np.diff(times, prepend=times[0])
        known = (spans <= self._bracket) | (np.diff(scan, prepend=scan[0]) == 0)
        resets = track.resets[start:last]
        if isinstance(self.index, EncodedTrack):
            resets = resets | self.index.reset_within(times)
        known &= index.known & ~resets
        if isinstance(self.index, SteppedTrack):
            # Between two lines the probe is carried over; it crossed no cell on the way.
            known &= np.diff(index.position, prepend=index.position[0]) == 0
        if not joined:
            known[0] = False
        self._path_samples = track.forgotten + last
        silence = self._silence(times)
        path = ProbePath(times, scan, index.position, known, resets, silence, int(self._usual))
        self._forget(int(times[-1]))
        return path

    def _settled(self) -> int:
        """Return the time up to which readings and positions are all in, ns."""
        ends = [t.last_time for t in (self.scan, self.index) if isinstance(t, EncodedTrack)]
        if None in ends:
            return _NEVER
        read = int(self._reading_times[-1]) if self._reading_times.size else _NEVER
        # A slow gauge is not a silent one: wait for twice its usual interval.
        patience = max(self._lateness, int(2 * self._usual))
        return min(*(end for end in ends if end is not None), max(read, self.now - patience))

    def _note_times(self, times: NDArray[np.int64]) -> None:
        if not times.size:
            return
        floor = self._reading_times[-1] if self._reading_times.size else times[0]
        ordered = np.maximum.accumulate(np.maximum(times, floor))
        last = self._reading_times[-1:] if self._reading_times.size else ordered[:1]
        steps = np.diff(np.concatenate((last, ordered)))
        steps = steps[steps > 0]
        if steps.size:
            # A running mean in which no pause counts for more than a few intervals.
            usual = float(np.median(steps))
            most = 4 * (self._usual or usual)
            share = min(1.0, 0.02 * steps.size) if self._usual else 1.0
            self._usual += share * (
                min(float(np.mean(np.minimum(steps, most))), most) - self._usual
            )
        self._reading_times = np.concatenate((self._reading_times, ordered))

    def _silence(self, times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the time between the readings around each of `times`, ns, shape as `times`."""
        if not self._reading_times.size:
            return np.full(times.shape, np.iinfo(np.int64).max)
        after = np.searchsorted(self._reading_times, times, side="left")
        before = np.maximum(after - 1, 0)
        # No reading after it yet: settled only because time went by, so it was silent until now.
        following = np.append(self._reading_times, max(self.now, int(self._reading_times[-1])))
        silence = following[after] - np.minimum(self._reading_times[before], times)
        return silence.astype(np.int64)

    def _forget(self, path_end: int) -> None:
        """Drop what no reading that is pending or may still come before `path_end` can need."""
        horizon = path_end - self._bracket - self._lateness
        if self._pending.size:
            horizon = min(horizon, int(self._pending["time"].min()))
        self.scan.forget_before(horizon)
        self.index.forget_before(horizon)
        keep = max(int(np.searchsorted(self._reading_times, horizon)) - 1, 0)
        self._reading_times = self._reading_times[keep:]


class PlacingObserver(Protocol):
    """Receives placed readings and the path, for what a scan measures in addition to its cells."""

    def placed(self, placed: Placed) -> None:
        """Receive readings with their positions."""
        ...

    def moved_along(self, path: ProbePath) -> None:
        """Receive a piece of the probe's path."""
        ...
