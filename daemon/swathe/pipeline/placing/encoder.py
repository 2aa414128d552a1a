"""Encoder counts to mm on an axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import steps_of
from swathe.station import AxisMode, AxisSettings

__all__ = ["CountsToPosition", "follow_with_backlash"]


class CountsToPosition:
    """Undoes roll-over and scales the counts of one axis.

    ``position = zero_at ± (counts - zero_count) / counts_per_mm``

    Args:
        settings: the axis's table in the station file.
        period: counts after which the counter repeats; None if it never does.
        is_length: the device sends mm; only sign and zero are applied.

    Attributes:
        resets: which of the positions returned last are position resets by an index mark.
        drifts: mm by which the positions moved at each index mark.
    """

    def __init__(self, settings: AxisSettings, *, period: int | None, is_length: bool) -> None:
        scale = 1.0 if is_length else 1.0 / settings.scale
        self._scale = -scale if settings.reversed else scale
        self._zero_count = settings.zero_count
        self._zero_at = settings.zero_at
        # The first count is taken on the side of the zero count that is nearer.
        self._counter = _RollOver(float(period), first=self._zero_count) if period else None
        # A device may send its position on the pipe: across the seam the shorter way counts.
        wrapped = settings.mode is AxisMode.WRAPPED
        self._around = _RollOver(settings.length) if wrapped else None
        self._mark_at = settings.index_mark_at
        self._shift = 0.0
        self.drifts: list[float] = []
        self.resets: NDArray[np.bool_] = np.empty(0, bool)
        self._backlash = settings.backlash
        self._followed: float | None = None

    def positions(
        self, counts: NDArray[np.float64], marks: NDArray[np.bool_] | None = None
    ) -> NDArray[np.float64]:
        """Return positions in mm, shape as `counts` (n,); call in the order of the stream.

        A step of more than half the counter's range is a roll-over. From a sample with the index mark
        on, positions count from the mark's position; `drifts` has by how much the first and each
        later mark moved them.
        """
        self.resets = np.zeros(counts.shape, bool)
        if not counts.size:
            return counts
        if self._counter is not None:
            counts = self._counter.undo(counts)
        positions = self._zero_at + (counts - self._zero_count) * self._scale
        if self._mark_at is not None and marks is not None:
            positions = self._from_marks(positions, np.flatnonzero(marks), self._mark_at)
        if self._around is not None:
            positions = self._around.undo(positions)
        if self._backlash:
            start = float(positions[0]) if self._followed is None else self._followed
            positions = follow_with_backlash(positions, self._backlash, start)
            self._followed = float(positions[-1])
        return positions

    @property
    def rolls_over(self) -> bool:
        """Whether the counter repeats, so that a position depends on those before it."""
        return self._counter is not None or self._around is not None

    @property
    def mm_per_count(self) -> float:
        """Travel for one count more, mm; below 0 where counts fall."""
        return self._scale

    def set_count(self, position: float, count: float) -> None:
        """Let later positions count from `position`, mm, at `count`, whatever was before."""
        self._zero_at, self._zero_count = position, count
        self._shift = 0.0
        if self._counter is not None:
            self._counter.restart(count)
        if self._around is not None:
            self._around.restart(position)
        self._followed = position if self._backlash else None

    def set_here(self, position: float, reading: float) -> None:
        """Shift all later positions so that what reads `reading` now reads `position`, in mm."""
        shift = position - reading
        if self._mark_at is not None:
            self._shift += shift
        else:
            self._zero_at += shift
        if self._around is not None:
            self._around.shift(shift)
        if self._followed is not None:
            self._followed += shift

    def _from_marks(
        self, positions: NDArray[np.float64], marks: NDArray[np.int64], mark_at: float
    ) -> NDArray[np.float64]:
        shift = np.full(positions.shape, self._shift)
        for k in marks.tolist():  # few: one each time the mark is passed
            new = mark_at - float(positions[k])
            self.drifts.append(new - self._shift)
            self.resets[k] = new != self._shift
            shift[k:] = self._shift = new
        return np.asarray(positions + shift, np.float64)


class _RollOver:
    """Undoes the roll-over of values that repeat after a period.

    Whole periods are counted and added, so that the result has no rounding of earlier values in it.

    Args:
        period: of the values.
        first: the first value is taken on the side of this one that is nearer; None for as it is.
    """

    def __init__(self, period: float, *, first: float | None = None) -> None:
        self._period = period
        self._last = first
        self._turns = 0.0

    def undo(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return values without roll-over, shape (n,), n > 0; a step takes the shorter way."""
        last = float(values[0]) if self._last is None else self._last
        steps = steps_of(values, last)
        turns = self._turns - np.cumsum(np.round(steps / self._period))
        self._last, self._turns = float(values[-1]), float(turns[-1])
        return np.asarray(values + turns * self._period, np.float64)

    def restart(self, last: float) -> None:
        """Take the next value on the side of `last` that is nearer."""
        self._last, self._turns = last, 0.0

    def shift(self, shift: float) -> None:
        """Continue with values that are higher by `shift`."""
        if self._last is not None:
            self._last += shift


def follow_with_backlash(
    positions: NDArray[np.float64], backlash: float, start: float
) -> NDArray[np.float64]:
    """Return the positions of a probe that the encoder drives with some backlash, shape (n,).

    On a reversal the encoder moves through the backlash before the probe follows: each sample holds
    the probe within half the backlash of the encoder, and otherwise where it was. (The play operator
    of hysteresis models; common practice, no source.)

    Args:
        positions: of the encoder, mm, shape (n,).
        backlash: mm.
        start: position of the probe before the first sample, mm.
    """
    # Two "hold within [low, high]" in a row are again one such: doubling finds the running
    # composition of all in log n steps over whole arrays.
    low, high = positions - backlash / 2, positions + backlash / 2
    stride = 1
    while stride < positions.size:
        new_low, new_high = low.copy(), high.copy()
        new_low[stride:] = np.clip(low[:-stride], low[stride:], high[stride:])
        new_high[stride:] = np.clip(high[:-stride], low[stride:], high[stride:])
        low, high = new_low, new_high
        stride *= 2
    return np.asarray(np.clip(start, low, high), np.float64)
