"""Slip: where two sources of one axis's position diverge."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swathe.arrays import Bools, Floats, Times
from swathe.pipeline.placing.track import EncodedTrack

__all__ = ["PositionSet", "Slip", "SlipWatch"]


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip; times in ns on the host's clock.

    Attributes:
        axis: scan or index.
        agreed: time of the last sample before it at which both sources agreed within half the
            tolerance: what was read since may be at a wrong position.
        time: of the sample that shows it.
        known: journal time from which it is known: the difference has lasted.
        position: of the first source then, mm.
        distance: by which the first source fell behind the second (below zero) or ran ahead, mm,
            once it had lasted.
    """

    axis: str
    agreed: int
    time: int
    known: int
    position: float
    distance: float


@dataclass(frozen=True, slots=True)
class PositionSet:
    """The position of an axis was set to a known one: what slipped before does not matter after.

    Attributes:
        axis: scan or index.
        time: of the sample that shows it, ns on the host's clock.
        known: journal time from which it is known, ns.
    """

    axis: str
    time: int
    known: int


@dataclass(frozen=True, slots=True)
class _Compared:
    """Samples at which both sources are known, shape (n,) each.

    Attributes:
        times: ns, rising.
        first: position of the first source, mm.
        apart: by which it is ahead of the second one, mm.
        known: journal time from which both are known, ns.
    """

    times: Times
    first: Floats
    apart: Floats
    known: Times

    @classmethod
    def none(cls) -> _Compared:
        """Return no samples."""
        no_times, no_places = np.empty(0, np.int64), np.empty(0)
        return cls(no_times, no_places, no_places, no_times)

    def __getitem__(self, rows: slice | Bools) -> _Compared:
        """Return some samples."""
        return _Compared(self.times[rows], self.first[rows], self.apart[rows], self.known[rows])

    def after(self, before: _Compared) -> _Compared:
        """Return these samples after others."""
        if not before.times.size:
            return self
        return _Compared(
            np.concatenate((before.times, self.times)),
            np.concatenate((before.first, self.first)),
            np.concatenate((before.apart, self.apart)),
            np.concatenate((before.known, self.known)),
        )


class SlipWatch:
    """Compares two tracks of one axis over time.

    Their first difference does not matter, nor which of them slips: only that the difference
    changes by more than the tolerance, and stays so for as long as a sample may be on its way: late
    samples of a moving probe differ, too, but not for longer. After a slip the new difference is the
    reference.

    Args:
        axis: scan or index.
        first: the track that places readings.
        second: the other one.
        tolerance: mm.
        lateness_ns: how long a sample may be on its way.
    """

    def __init__(
        self,
        axis: str,
        first: EncodedTrack,
        second: EncodedTrack,
        tolerance: float,
        *,
        lateness_ns: int,
    ) -> None:
        self._axis = axis
        self._first = first
        self._second = second
        self._tolerance = tolerance
        self._lateness = lateness_ns
        self._waiting = _Compared.none()
        self._apart: float | None = None
        self._agreed = 0
        self._set_at: list[int] = []
        self._compared = int(np.iinfo(np.int64).min)

    def restart(self) -> None:
        """Take the next difference as the reference: the first track was set to a position."""
        self._apart = None
        self._waiting = _Compared.none()
        ends = (self._first.last_time, self._second.last_time)
        self._compared = max(self._compared, *(end for end in ends if end is not None))

    def set_at(self, time: int) -> None:
        """Take the difference at `time`, ns, as the reference: a sample set the first track."""
        self._set_at.append(time)

    def look(self) -> list[Slip]:
        """Compare both at the samples of either that both cover by now; return slips."""
        first, second = self._first, self._second
        if first.last_time is None or second.last_time is None:
            return []
        both = np.array([self._compared, min(first.last_time, second.last_time)])
        samples = [
            times[slice(*np.searchsorted(times, both, side="right"))]
            for times in (first.times[: first.settled], second.times[: second.settled])
        ]
        at = np.union1d(*samples)
        if not at.size:
            return []
        self._compared = int(at[-1])
        one, other = first.locate(at), second.locate(at)
        journal = np.maximum(first.bracketed_from(at), second.bracketed_from(at))
        second.forget_before(self._compared)
        both_known = one.known & other.known
        compared = _Compared(at, one.position, one.position - other.position, journal)
        return self._slips(compared[both_known])

    def _slips(self, found: _Compared) -> list[Slip]:
        """Return the slips among samples that were compared, and those that waited."""
        found = found.after(self._waiting)
        times = found.times
        slips: list[Slip] = []
        begins = np.searchsorted(times, np.array(self._set_at, np.int64))
        restarts = set(begins[begins < times.size].tolist())
        if times.size:
            self._set_at = [time for time in self._set_at if time > times[-1]]
        for begin, end in pairwise(sorted({0, *restarts, times.size})):
            if begin in restarts:
                self._apart = None
            self._waiting = self._compare(found[begin:end], slips)
        return slips

    def _compare(self, found: _Compared, slips: list[Slip]) -> _Compared:
        """Add the slips among samples to `slips`; return those of which it is not known yet."""
        k = 0
        while k < found.times.size:
            if self._apart is None:
                self._apart = float(found.apart[k])
            change = found.apart[k:] - self._apart
            beyond = np.abs(change) > self._tolerance
            j = int(np.argmax(beyond)) if beyond.any() else change.size
            agreed = np.flatnonzero(np.abs(change[:j]) <= self._tolerance / 2)
            if agreed.size:
                self._agreed = int(found.times[k + agreed[-1]])
            if j == change.size:
                break
            k += j
            times, change = found.times[k:], change[j:]
            lasts = beyond[j:] & (np.sign(change) == np.sign(change[0]))
            end = times.size if lasts.all() else int(np.argmin(lasts))
            lasted = int(np.searchsorted(times, times[0] + self._lateness))
            if lasted >= end == times.size:
                return found[k:]
            if lasted >= end:
                k += end  # as late samples do
                continue
            slips.append(
                Slip(
                    axis=self._axis,
                    agreed=self._agreed,
                    time=int(times[0]),
                    known=int(found.known[k : k + lasted + 1].max()),
                    position=float(found.first[k]),
                    distance=float(change[lasted]),
                )
            )
            k += lasted
            self._apart, self._agreed = float(found.apart[k]), int(found.times[k])
            k += 1
        return _Compared.none()
