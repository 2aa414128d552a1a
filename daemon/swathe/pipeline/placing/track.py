"""Where an axis was, as a function of host time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import steps_of

__all__ = ["NEVER_KNOWN", "EncodedTrack", "Located", "SteppedTrack"]

NEVER_KNOWN: Final = int(np.iinfo(np.int64).max)
"""Journal time of what is not known by now."""

_NS_PER_S = 1e9


@dataclass(frozen=True, slots=True)
class Located:
    """Positions on a track, shape (n,) each.

    Attributes:
        position: mm; only meaningful where `known`.
        known: whether the samples around the time are close enough.
        speed: from the sample before to the one after, mm/s; 0 on a stepped axis.
        uncertainty: standard uncertainty of the time of the sample after, ns.
        smear: by how much that sample may be older than its time says, ns.
    """

    position: NDArray[np.float64]
    known: NDArray[np.bool_]
    speed: NDArray[np.float64]
    uncertainty: NDArray[np.int64]
    smear: NDArray[np.int64]

    @classmethod
    def at_rest(cls, position: NDArray[np.float64], known: NDArray[np.bool_]) -> Located:
        """Return positions that no motion and no time makes uncertain."""
        shape = position.shape
        none = np.zeros(shape, np.int64)
        return cls(position, known, np.zeros(shape), none, none)


class EncodedTrack:
    """Samples of an encoded axis, kept for as long as a reading may still need them.

    Between two samples the position is interpolated linearly; it is never carried past the last,
    unless the encoder is known to rest: then `hold` adds a sample that repeats the position.

    Args:
        bracket_ns: two samples further apart than this leave the time between unknown,
            unless the axis stood still.
        lateness_ns: how long a sample may be on its way: a hold ends so long before the present.

    Attributes:
        times: ns, rising, shape (n,).
        positions: mm, shape (n,).
        known: journal time with which the sample arrived, ns, rising, shape (n,).
        resets: whether this sample is a position reset (an index mark, a counter that was set):
            no position between it and the one before is known, shape (n,).
        holds: whether the sample repeats the one before, shape (n,).
        uncertainty: standard uncertainty of the sample's time, ns, shape (n,).
        smear: by how much the sample may be older than its time says, ns, shape (n,).
        forgotten: samples dropped so far, so that a sample keeps its number.
    """

    def __init__(self, *, bracket_ns: int, lateness_ns: int = 0) -> None:
        self._bracket = bracket_ns
        self._lateness = lateness_ns
        self._provisional = False
        self.times: NDArray[np.int64] = np.empty(0, np.int64)
        self.positions: NDArray[np.float64] = np.empty(0, np.float64)
        self.known: NDArray[np.int64] = np.empty(0, np.int64)
        self.resets: NDArray[np.bool_] = np.empty(0, bool)
        self.holds: NDArray[np.bool_] = np.empty(0, bool)
        self.uncertainty: NDArray[np.int64] = np.empty(0, np.int64)
        self.smear: NDArray[np.int64] = np.empty(0, np.int64)
        self.forgotten = 0

    @property
    def last_time(self) -> int | None:
        """Time of the last sample, ns; None before the first."""
        return int(self.times[-1]) if self.times.size else None

    @property
    def last_position(self) -> float | None:
        """Position at the last sample, mm; None before the first."""
        return float(self.positions[-1]) if self.positions.size else None

    @property
    def settled(self) -> int:
        """Number of samples that will not change: all but a hold that still lasts."""
        return self.times.size - self._provisional

    def append(
        self,
        times: NDArray[np.int64],
        positions: NDArray[np.float64],
        resets: NDArray[np.bool_] | None = None,
        known: NDArray[np.int64] | None = None,
        *,
        arrived: NDArray[np.int64] | None = None,
        rests: bool = False,
        broken: bool = False,
        uncertainty: NDArray[np.int64] | None = None,
        smear: NDArray[np.int64] | None = None,
    ) -> None:
        """Add samples; a time that runs back is held at the one before, so order is kept.

        Args:
            times: ns, shape (n,).
            positions: mm, shape (n,).
            resets: see the attribute; none by default.
            known: see the attribute; by default each is known with its own time.
            arrived: journal times with which they arrived, ns; by default those of `known`.
            rests: whether the encoder sends on change: from each sample the axis rested until
                `lateness_ns` before the next one arrived.
            broken: whether that is unknown between the last sample and the first of these.
            uncertainty: standard uncertainty of the times, ns, shape (n,); none by default.
            smear: by how much the samples may be older than their times say, ns, shape (n,);
                not at all by default.
        """
        if not times.size:
            return
        if self._provisional:
            self._drop_last()
        resets = np.zeros(times.shape, bool) if resets is None else resets
        known = times if known is None else known
        holds: NDArray[np.bool_] = np.zeros(times.shape, bool)
        if uncertainty is None:
            uncertainty = np.zeros(times.shape, np.int64)
        smear = np.zeros(times.shape, np.int64) if smear is None else smear
        if rests:
            first = 1 if broken or not self.times.size else 0
            arrived = known if arrived is None else arrived
            at, until = self._rests_ended(times, arrived, first=first)
            if at.size:
                last = self.positions[-1:] if self.times.size else positions[:1]
                before = np.concatenate((last, positions))[:-1]
                times = np.insert(times, at, until)
                positions = np.insert(positions, at, before[at])
                known = np.insert(known, at, known[at])
                resets = np.insert(resets, at, values=False)
                holds = np.insert(holds, at, values=True)
                uncertainty = np.insert(uncertainty, at, 0)
                smear = np.insert(smear, at, 0)
        floor = self.times[-1] if self.times.size else times[0]
        times = np.maximum.accumulate(np.maximum(times, floor))
        self.times = np.concatenate((self.times, times))
        self.positions = np.concatenate((self.positions, positions))
        self.known = np.concatenate((self.known, known))
        self.resets = np.concatenate((self.resets, resets))
        self.holds = np.concatenate((self.holds, holds))
        self.uncertainty = np.concatenate((self.uncertainty, uncertainty))
        self.smear = np.concatenate((self.smear, smear))

    def _rests_ended(
        self, times: NDArray[np.int64], arrived: NDArray[np.int64], *, first: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return which samples, from `first` on, end a rest, and until when it lasted, ns."""
        last = self.times[-1:] if self.times.size else times[:1]
        floor = np.maximum.accumulate(np.concatenate((last, times)))[:-1]
        until = arrived - self._lateness
        at = np.flatnonzero(until > floor)
        at = at[at >= first]
        return at, until[at]

    def hold(self, now: int, *, final: bool = False) -> None:
        """Let the axis rest at its last position until `lateness_ns` before `now`.

        The hold moves on with the next call and ends with the next sample, unless it is final: then
        nothing is known from its end to the next sample.
        """
        if self._provisional:
            self._drop_last()
        until = now - self._lateness
        if self.times.size and until > self.times[-1]:
            self.times = np.append(self.times, until)
            self.positions = np.append(self.positions, self.positions[-1])
            self.known = np.append(self.known, now if final else self.known[-1])
            self.resets = np.append(self.resets, False)
            self.holds = np.append(self.holds, True)
            self.uncertainty = np.append(self.uncertainty, 0)
            self.smear = np.append(self.smear, 0)
            self._provisional = not final

    def _drop_last(self) -> None:
        self._provisional = False
        self.times, self.positions = self.times[:-1], self.positions[:-1]
        self.known, self.resets, self.holds = self.known[:-1], self.resets[:-1], self.holds[:-1]
        self.uncertainty, self.smear = self.uncertainty[:-1], self.smear[:-1]

    def forget_before(self, time: int) -> None:
        """Drop what is older than `time`, but for the sample that brackets it."""
        keep = max(int(np.searchsorted(self.times, time, side="right")) - 1, 0)
        if keep:
            self.times = self.times[keep:]
            self.positions = self.positions[keep:]
            self.known = self.known[keep:]
            self.resets = self.resets[keep:]
            self.holds = self.holds[keep:]
            self.uncertainty = self.uncertainty[keep:]
            self.smear = self.smear[keep:]
            self.forgotten += keep

    def position_at(self, time: int) -> float | None:
        """Return the newest position known at the journal time `time`, ns; None without one."""
        number = int(np.searchsorted(self.known, time, side="right"))
        return float(self.positions[number - 1]) if number else None

    def samples_before(self, times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return how many samples are before each of `times`, shape as `times`."""
        if times.size <= self.times.size or (np.diff(times) < 0).any():
            return np.searchsorted(self.times, times, side="left")
        # Many readings between two samples: it is the samples that are searched for.
        first = np.searchsorted(times, self.times, side="right")
        numbers = np.arange(self.times.size + 1)
        return np.repeat(numbers, np.diff(first, prepend=0, append=times.size))

    def bracketed_from(
        self, times: NDArray[np.int64], after: NDArray[np.int64] | None = None
    ) -> NDArray[np.int64]:
        """Return the journal time from which a sample at or after each of `times` is known, ns.

        `NEVER_KNOWN` where none is known by now; shape as `times`.

        Args:
            times: ns, shape (n,).
            after: what `samples_before` returns for them, if that is known already.
        """
        after = self.samples_before(times) if after is None else after
        inside = after < self.times.size
        if not self.times.size:
            return np.full(times.shape, NEVER_KNOWN)
        at = np.minimum(after, self.times.size - 1)
        known = self.known[at]
        if self.holds.any():
            resting = self.holds[at]
            since = np.maximum(self.known[np.maximum(at - 1, 0)], times + self._lateness)
            known = np.where(resting, since, known)
        return np.where(inside, known, NEVER_KNOWN)

    def reset_within(self, times: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return whether a position reset is after the time before and not after each of `times`.

        Args:
            times: ns, rising, shape (n,); nothing is before the first one.
        """
        counts = np.searchsorted(self.times[self.resets], times, side="right")
        return np.asarray(np.diff(counts, prepend=counts[:1]) > 0)

    def locate(self, times: NDArray[np.int64], after: NDArray[np.int64] | None = None) -> Located:
        """Return the position at each of `times`; unknown before the first and after the last.

        Args:
            times: ns, shape (n,).
            after: what `samples_before` returns for them, if that is known already.
        """
        if not self.times.size:
            return Located.at_rest(np.full(times.shape, np.nan), np.zeros(times.shape, bool))
        after = self.samples_before(times) if after is None else after
        inside = (after < self.times.size) & ((after > 0) | (self.times[0] == times))
        after = np.minimum(after, self.times.size - 1)
        # What concerns a pair of samples is computed for all pairs, not for each reading.
        spans = steps_of(self.times, self.times[0])
        steps = steps_of(self.positions, self.positions[0])
        joined = ((spans <= self._bracket) | (steps == 0)) & ~self.resets
        behind = self.times[after] - times  # how far the sample is after the reading
        speed = (steps / np.maximum(spans, 1))[after]  # mm/ns
        return Located(
            self.positions[after] - speed * behind,
            known=inside & (joined[after] | (behind == 0)),
            speed=speed * _NS_PER_S,
            uncertainty=self.uncertainty[after],
            smear=self.smear[after],
        )


class SteppedTrack:
    """A stepped index axis: the line in force since each time.

    Args:
        start: position of line 0, mm.
        step: from one line to the next, mm.
        lines: number of lines.
    """

    def __init__(self, *, start: float, step: float, lines: int) -> None:
        self._start = start
        self._step = step
        self._lines = lines
        self._times: list[int] = [np.iinfo(np.int64).min]
        self._line: list[int] = [0]

    @property
    def line(self) -> int:
        """The line in force now."""
        return self._line[-1]

    @property
    def lines(self) -> int:
        """Number of lines of the plan."""
        return self._lines

    def step_to(self, line: int, time: int) -> None:
        """Put `line` in force from `time` on."""
        self._times.append(max(time, self._times[-1]))
        self._line.append(line)

    def forget_before(self, time: int) -> None:
        """Drop the lines that were left before `time`."""
        while len(self._times) > 1 and self._times[1] <= time:
            del self._times[0], self._line[0]

    def locate(self, times: NDArray[np.int64]) -> Located:
        """Return the index position at each of `times`; always known."""
        at = np.searchsorted(np.asarray(self._times), times, side="right") - 1
        lines = np.asarray(self._line)[np.maximum(at, 0)]
        return Located.at_rest(self._start + lines * self._step, np.ones(times.shape, bool))
