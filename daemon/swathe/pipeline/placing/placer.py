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

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import steps_of
from swathe.pipeline.placing.place_uncertainty import no_spread
from swathe.pipeline.placing.placed import Placed, ProbeFacts, ProbePath
from swathe.pipeline.placing.probe_times import ProbeTimes
from swathe.pipeline.placing.recent_motion import RecentMotion
from swathe.pipeline.placing.timing import Timing
from swathe.pipeline.placing.track import EncodedTrack, SteppedTrack
from swathe.station import SINGLE_PROBE, ProbeArray
from swathe_drivers.records import READING

__all__ = ["Placer"]

# Before all times, and far enough from the end of int64 to be moved by some.
_NEVER = int(np.iinfo(np.int64).min) // 2
# Readings and samples are kept for so many times the longest wait, whatever is lost meanwhile.
_KEPT_WAITS = 30
# The pace of the readings is asked for at instants that are later than this before the present.
_PACE_NS = 1_000_000_000


class Placer:
    """Keeps readings without bracket, and samples that may bracket more.

    Args:
        scan: the scan axis's track.
        index: the index axis's track.
        bracket_ns: widest pair of samples that places a reading.
        lateness_ns: how long a reading or sample may be on its way.
        held_ns: how long a sample may wait, in addition, until its time is known.
        probes: of the carriage; one at its datum by default.
        heading: the carriage's track, in degrees; None where it keeps its direction.

    Attributes:
        probe_times: when each probe gave readings, and when they were known.
        unplaced: readings given up so far.
    """

    def __init__(
        self,
        *,
        scan: EncodedTrack,
        index: EncodedTrack | SteppedTrack,
        bracket_ns: int,
        lateness_ns: int,
        held_ns: int = 0,
        probes: ProbeArray = SINGLE_PROBE,
        heading: EncodedTrack | None = None,
    ) -> None:
        self.scan = scan
        self.index = index
        self.heading = heading
        self._lateness = lateness_ns
        self._bracket = bracket_ns
        self._wait = bracket_ns + lateness_ns + held_ns
        self._kept = _KEPT_WAITS * (bracket_ns + lateness_ns) + held_ns
        self._pending: NDArray[Any] = np.empty(0, READING)
        self._pending_known: NDArray[np.int64] = np.empty(0, np.int64)
        self._pending_uncertainty: NDArray[np.int64] = np.empty(0, np.int64)
        self._pending_smear: NDArray[np.int64] = np.empty(0, np.int64)
        self.probe_times = ProbeTimes(probes, lateness_ns)
        self._path_samples = 0
        self._scan_motion, self._index_motion = RecentMotion(), RecentMotion()
        self._last_settled = _NEVER
        self._path_end = _NEVER  # time of the last sample on the path
        self.unplaced = 0
        self._given_up: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        # The same with their probes, for the path that may reach them yet.
        self._beside_path = np.empty((3, 0), np.int64)

    @property
    def pending(self) -> int:
        """How many readings wait for their bracket."""
        return int(self._pending.size)

    @property
    def waiting(self) -> NDArray[Any]:
        """The readings that wait for their bracket, dtype `READING`."""
        return self._pending

    def add_readings(
        self,
        readings: NDArray[Any],
        known: NDArray[np.int64] | None = None,
        *,
        timing: Timing | None = None,
        arrived: NDArray[np.int64] | None = None,
        used: NDArray[np.bool_] | None = None,
    ) -> None:
        """Take readings that are to be placed by time.

        Args:
            readings: dtype `READING`, shape (n,).
            known: journal times from which they are known, ns, rising; by default their own times.
            timing: what their times rest on; by default a clock's.
            arrived: journal times with which they arrived, ns, rising; by default `known`.
            used: which of them may be placed at all; the others are counted as unplaced.
        """
        if not readings.size:
            return
        known = readings["time"] if known is None else known
        timing = Timing.of(known, known) if timing is None else timing
        self.probe_times.add(readings, known, timing, arrived)
        uncertainty, smear = timing.uncertainty, timing.smear
        if used is not None and not used.all():
            self._give_up(readings[~used], known[~used])
            readings, known = readings[used], known[used]
            uncertainty, smear = uncertainty[used], smear[used]
        if self._pending.size:
            readings = np.concatenate((self._pending, readings))
            known = np.concatenate((self._pending_known, known))
            uncertainty = np.concatenate((self._pending_uncertainty, uncertainty))
            smear = np.concatenate((self._pending_smear, smear))
        self._pending_uncertainty, self._pending_smear = uncertainty, smear
        self._pending, self._pending_known = readings, known

    def place_combined(
        self,
        readings: NDArray[Any],
        scan: NDArray[np.float64],
        index: NDArray[np.float64] | None,
        known: NDArray[np.int64] | None = None,
        *,
        timing: Timing | None = None,
    ) -> Placed:
        """Return combined readings placed by their own positions in mm, shape (n,) each.

        Without an `index` column the line in force at the time of the reading is taken. A position
        that was no good is NaN, and its reading unplaced.
        """
        known = readings["time"] if known is None else known
        timing = Timing.of(known, known) if timing is None else timing.without_smear()
        self.probe_times.add(readings, known, timing)
        return self.place_at(readings, scan, index, known)

    def place_at(
        self,
        readings: NDArray[Any],
        scan: NDArray[np.float64],
        index: NDArray[np.float64] | None,
        known: NDArray[np.int64],
    ) -> Placed:
        """Return readings placed by positions of their own, as `place_combined` does.

        Their times are in `probe_times` already.
        """
        if index is None:
            index = self.index.locate(readings["time"]).position
        good, heading = np.isfinite(scan) & np.isfinite(index), None
        if self.heading is not None:
            located = self.heading.locate(readings["time"])
            good, heading = good & located.known, located.position
        placed = Placed(readings, scan, index, known, no_spread(known.size), heading)
        if good.all():
            return placed
        self._give_up(readings[~good], known[~good])
        return placed[good]

    def place(self, now: int) -> Placed:
        """Return the readings whose position is known at the journal time `now`, ns.

        Those that no pair of samples brackets, and can be bracketed no more, are counted.
        """
        times, arrived = np.ascontiguousarray(self._pending["time"]), self._pending_known
        after = self.scan.samples_before(times)
        bracketed = self.scan.bracketed_from(times, after)
        for track in (self.index, self.heading):
            if isinstance(track, EncodedTrack):
                bracketed = np.maximum(bracketed, track.bracketed_from(times))
        given_up = np.maximum(times + self._wait, arrived)
        too_late = times < arrived - self._kept  # the samples around these are dropped, or may be
        in_time = (bracketed <= given_up) & ~too_late
        due = (in_time & (bracketed <= now)) | (~in_time & ((given_up < now) | too_late))
        number = int(np.count_nonzero(due))
        now_due: slice | NDArray[np.bool_] = due
        later: slice | NDArray[np.bool_] = ~due
        if due[:number].all():  # mostly; a slice copies nothing
            now_due, later = slice(0, number), slice(number, None)
        ready, self._pending = self._pending[now_due], self._pending[later]
        self._pending_known = arrived[later]
        uncertainty = self._pending_uncertainty[now_due]
        self._pending_uncertainty = self._pending_uncertainty[later]
        smear, self._pending_smear = self._pending_smear[now_due], self._pending_smear[later]
        times, after = times[now_due], after[now_due]
        scan, index = self.scan.locate(times, after), self.index.locate(times)
        known = np.maximum(bracketed[now_due], arrived[now_due])
        spread = no_spread(known.size)
        spread["speed"], spread["reading"] = scan.speed, uncertainty
        spread["samples"] = scan.uncertainty
        spread["blur"] = np.abs(scan.speed) * np.maximum(smear, scan.smear) * 1e-9
        good, heading = in_time[now_due] & scan.known & index.known, None
        if self.heading is not None:
            turned = self.heading.locate(times)
            good, heading = good & turned.known, turned.position
        placed = Placed(ready, scan.position, index.position, known, spread, heading)
        if not good.all():
            since = np.where(in_time | too_late, np.maximum(bracketed, arrived), given_up)
            since = np.where(too_late, arrived, since)[now_due]
            self._give_up(ready[~good], since[~good])
            placed = placed[good]
        return placed.in_order()

    def _give_up(self, readings: NDArray[Any], known: NDArray[np.int64]) -> None:
        """Count readings without a position by the journal times of that, ns."""
        times = readings["time"]
        self.unplaced += int(times.size)
        self._given_up.append((times, known))
        fresh = np.stack((times, known, readings["probe"]))
        beside = np.concatenate((self._beside_path, fresh), axis=1)
        self._beside_path = beside[:, np.argsort(beside[0], kind="stable")]

    def take_given_up(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return times and journal times of the readings given up since the last call, ns."""
        empty = np.empty(0, np.int64)
        times, known = zip((empty, empty), *self._given_up, strict=True)
        self._given_up.clear()
        return np.concatenate(times), np.concatenate(known)

    def take_path(self, now: int) -> ProbePath | None:
        """Return the probe's path since the last call, as far as all readings are in at `now`."""
        track = self.scan
        first = max(self._path_samples - track.forgotten, 0)
        joined = first > 0
        start = first - joined
        times = track.times[start : track.settled]
        index = self.index.locate(times)
        sampled = track.known[first : track.settled]
        for other in (self.index, self.heading):
            if isinstance(other, EncodedTrack):
                sampled = np.maximum(sampled, other.bracketed_from(times[joined:]))
        smeared = track.smear[first : track.settled]
        settled, found = self.probe_times.settle(
            times[joined:], sampled, self._last_settled, smeared
        )
        count = int(np.searchsorted(settled, now, side="right"))
        if not count:
            return None
        whole = slice(0, count + joined)
        times, scan = times[whole], track.positions[start : first + count]
        at, index_known = index.position[whole], index.known[whole]
        settled = np.concatenate((np.full(int(joined), self._last_settled), settled[:count]))
        resets = track.resets[start : first + count]
        if isinstance(self.index, EncodedTrack):
            resets = resets | self.index.reset_within(times)
        if self._path_samples < track.forgotten:
            resets[0] = True  # samples were dropped before they were settled
        known = steps_of(times, times[0]) <= self._bracket
        known |= steps_of(scan, scan[0]) == 0
        known &= index_known & ~resets
        heading = None
        if self.heading is not None:
            turned = self.heading.locate(times)
            heading, known = turned.position, known & turned.known
        if isinstance(self.index, SteppedTrack):
            # Between two lines the probe is carried over; it crossed no cell on the way.
            known &= steps_of(at, at[0]) == 0
        if not joined:
            known[0] = False
        self._path_samples = track.forgotten + first + count
        self._last_settled = int(settled[-1])
        self._path_end = int(times[-1])
        inside = np.stack([one.inside[:count] for one in found])
        smear = np.stack([one.smear[:count] for one in found])
        new = slice(int(joined), None)
        blur = np.zeros((len(found), times.size, 2))
        for axis, (positions, smeared, motion) in enumerate(
            (
                (scan, smear, self._scan_motion),
                (at, np.maximum(smear, index.smear[new][:count]), self._index_motion),
            )
        ):
            whiles = np.where(inside, 0, smeared)
            blur[:, new, axis] = motion.follow(times[new], positions[new], resets[new], whiles)
        unplaced, unplaced_of = self._unplaced_along(times, settled)
        facts = [
            ProbeFacts(
                silent=_behind(one.silent[:count], joined=joined),
                blur=blur[number],
                lost=reading_times.lost(times, settled),
                unplaced=unplaced[unplaced_of == number],
                unread=_behind(one.unread[:count], joined=joined)
                if one.unread[:count].any()
                else None,
            )
            for number, (one, reading_times) in enumerate(
                zip(found, self.probe_times.of, strict=True)
            )
        ]
        path = ProbePath(
            time=times, scan=scan, index=at, known=known, resets=resets, settled=settled,
            silent=facts[0].silent, blur=facts[0].blur, lost=facts[0].lost,
            unplaced=facts[0].unplaced, unread=facts[0].unread, others=tuple(facts[1:]),
            heading=heading,
        )  # fmt: skip
        # What belongs to samples that settled so late may be dropped already: whether it is
        # depends on how often `forget` was called.
        late = settled - times > self._kept
        return path.without(late, np.concatenate(([False], late[:-1])))

    def _unplaced_along(
        self, times: NDArray[np.int64], settled: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return readings between samples that were given up before the path there settled.

        Their times, ns, rising, and the number of the probe of each, shape (n,) each.
        """
        given_up, known, number = self._beside_path
        within = (given_up > times[0]) & (given_up <= times[-1])
        self._beside_path = self._beside_path[:, given_up > times[-1]]
        given_up, known, number = given_up[within], known[within], number[within]
        in_time = known < settled[np.searchsorted(times, given_up)]
        return given_up[in_time], number[in_time]

    def forget(self, now: int) -> None:
        """Drop what no reading and no sample after the journal time `now` can need."""
        # A burst of readings that were held up somewhere is placed, though the path is settled.
        horizon = now - self._kept
        self._beside_path = self._beside_path[:, self._beside_path[0] > horizon - self._bracket]
        if self._pending.size:
            horizon = min(horizon, int(self._pending["time"].min()))
        self.scan.forget_before(horizon)
        self.index.forget_before(horizon)
        if self.heading is not None:
            self.heading.forget_before(horizon)
        # No later sample is before the end of the path: of a fast gauge, these are very many readings.
        recent = now - _PACE_NS
        self.probe_times.forget(
            max(horizon, min(self._path_end, recent)),
            max(horizon + self._lateness, min(self._path_end + self._lateness, recent)),
        )


def _behind(facts: NDArray[np.bool_], *, joined: bool) -> NDArray[np.bool_]:
    """Return facts of new samples behind that of the sample which the piece before ended with."""
    return np.concatenate((np.zeros(int(joined), bool), facts))
