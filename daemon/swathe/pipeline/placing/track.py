"""Where an axis was, as a function of host time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["EncodedTrack", "Located", "SteppedTrack"]


@dataclass(frozen=True, slots=True)
class Located:
    """Positions on a track, shape (n,) each.

    Attributes:
        position: mm; only meaningful where `known`.
        known: whether the samples around the time are close enough.
    """

    position: NDArray[np.float64]
    known: NDArray[np.bool_]


class EncodedTrack:
    """Samples of an encoded axis, kept for as long as a reading may still need them.

    Between two samples the position is interpolated linearly; it is never carried past the last.

    Args:
        bracket_ns: two samples further apart than this leave the time between unknown,
            unless the axis stood still.

    Attributes:
        times: ns, rising, shape (n,).
        positions: mm, shape (n,).
        resets: whether this sample is a position reset (an index mark, a counter that was set):
            no position between it and the one before is known, shape (n,).
        forgotten: samples dropped so far, so that a sample keeps its number.
    """

    def __init__(self, *, bracket_ns: int) -> None:
        self._bracket = bracket_ns
        self.times: NDArray[np.int64] = np.empty(0, np.int64)
        self.positions: NDArray[np.float64] = np.empty(0, np.float64)
        self.resets: NDArray[np.bool_] = np.empty(0, bool)
        self.forgotten = 0

    @property
    def last_time(self) -> int | None:
        """Time of the last sample, ns; None before the first."""
        return int(self.times[-1]) if self.times.size else None

    @property
    def last_position(self) -> float | None:
        """Position at the last sample, mm; None before the first."""
        return float(self.positions[-1]) if self.positions.size else None

    def append(
        self,
        times: NDArray[np.int64],
        positions: NDArray[np.float64],
        resets: NDArray[np.bool_] | None = None,
    ) -> None:
        """Add samples; a time that runs back is held at the one before, so order is kept."""
        if not times.size:
            return
        floor = self.times[-1] if self.times.size else times[0]
        times = np.maximum.accumulate(np.maximum(times, floor))
        self.times = np.concatenate((self.times, times))
        self.positions = np.concatenate((self.positions, positions))
        resets = np.zeros(times.shape, bool) if resets is None else resets
        self.resets = np.concatenate((self.resets, resets))

    def forget_before(self, time: int) -> None:
        """Drop what is older than `time`, but for the sample that brackets it."""
        keep = max(int(np.searchsorted(self.times, time, side="right")) - 1, 0)
        if keep:
            self.times = self.times[keep:]
            self.positions = self.positions[keep:]
            self.resets = self.resets[keep:]
            self.forgotten += keep

    def reset_within(self, times: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return whether a position reset is after the time before and not after each of `times`.

        Args:
            times: ns, rising, shape (n,); nothing is before the first one.
        """
        counts = np.searchsorted(self.times[self.resets], times, side="right")
        return np.asarray(np.diff(counts, prepend=counts[:1]) > 0)

    def locate(self, times: NDArray[np.int64]) -> Located:
        """Return the position at each of `times`; unknown before the first and after the last."""
        if not self.times.size:
            return Located(np.full(times.shape, np.nan), np.zeros(times.shape, bool))
        after = np.searchsorted(self.times, times, side="left")
        inside = (after < self.times.size) & ((after > 0) | (self.times[0] == times))
        after = np.clip(after, 0, self.times.size - 1)
        before = np.maximum(after - 1, 0)
        exact = self.times[after] == times
        before = np.where(exact, after, before)
        span = self.times[after] - self.times[before]
        low, high = self.positions[before], self.positions[after]
        share = (times - self.times[before]) / np.maximum(span, 1)
        return Located(
            position=low + (high - low) * share,
            known=inside
            & ((span <= self._bracket) | (low == high))
            & (exact | ~self.resets[after]),
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
        return Located(self._start + lines * self._step, np.ones(times.shape, bool))
