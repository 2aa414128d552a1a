"""From encoder counts to mm on an axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.station import AxisMode, AxisSettings

__all__ = ["CountsToPosition", "follow_with_backlash"]


class CountsToPosition:
    """Undoes roll-over and scales the counts of one axis.

    ``position = zero_at ± (counts - zero_count) / counts_per_mm``

    Args:
        settings: the axis's table in the station file.
        bits: width of the counter; None if it never rolls over.
        is_length: the device sends mm; only sign and zero are applied.

    Attributes:
        resets: of the last positions asked for, which a mark has set anew.
        drifts: mm by which each passing of the index mark moved the positions.
    """

    def __init__(self, settings: AxisSettings, *, bits: int | None, is_length: bool) -> None:
        scale = 1.0 if is_length else 1.0 / settings.scale
        self._scale = -scale if settings.reversed else scale
        self._zero_count = settings.zero_count
        self._zero_at = settings.zero_at
        self._turn = float(1 << bits) if bits else None
        self._last: float | None = None
        self._round = settings.length if settings.mode is AxisMode.WRAPPED else None
        self._unrolled: float | None = None
        self._mark_at = settings.index_mark_at
        self._shift = 0.0
        self.drifts: list[float] = []
        self.resets: NDArray[np.bool_] = np.empty(0, bool)
        self._play = settings.backlash
        self._followed: float | None = None

    def positions(
        self, counts: NDArray[np.float64], marks: NDArray[np.bool_] | None = None
    ) -> NDArray[np.float64]:
        """Return positions in mm, shape as `counts` (n,); call in the order of the stream.

        A step over half the counter's range is taken as a roll-over. From a sample with the index
        mark on, positions are told from the mark's place; by how much the first and each later mark
        moved them is kept in `drifts`.
        """
        self.resets = np.zeros(counts.shape, bool)
        if not counts.size:
            return counts
        if self._turn is not None:
            # The first count is taken on the side of the zero count that is nearer.
            last = self._zero_count if self._last is None else self._last
            steps = np.diff(counts, prepend=np.mod(last, self._turn))
            steps -= self._turn * np.round(steps / self._turn)
            counts = last + np.cumsum(steps)
            self._last = float(counts[-1])
        positions = self._zero_at + (counts - self._zero_count) * self._scale
        if self._mark_at is not None and marks is not None:
            positions = self._from_marks(positions, np.flatnonzero(marks), self._mark_at)
        if self._round is not None:
            # A device may tell its place on the pipe: over the seam it goes the short way.
            last = float(positions[0]) if self._unrolled is None else self._unrolled
            steps = np.diff(positions, prepend=last)
            positions = last + np.cumsum(steps - self._round * np.round(steps / self._round))
            self._unrolled = float(positions[-1])
        if self._play:
            start = float(positions[0]) if self._followed is None else self._followed
            positions = follow_with_backlash(positions, self._play, start)
            self._followed = float(positions[-1])
        return positions

    def set_here(self, place: float, told: float) -> None:
        """Move all later positions so that what reads `told` now reads `place`, both in mm."""
        path = place - told
        if self._mark_at is not None:
            self._shift += path
        else:
            self._zero_at += path
        if self._unrolled is not None:
            self._unrolled += path
        if self._followed is not None:
            self._followed += path

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


def follow_with_backlash(
    positions: NDArray[np.float64], play: float, start: float
) -> NDArray[np.float64]:
    """Return where a probe is that the encoder takes along with some play, shape as given (n,).

    On a reversal the encoder moves through the play before the probe follows: each sample holds the
    probe within half the play of the encoder, and otherwise where it was. (The play operator; common
    practice, no source.)

    Args:
        positions: of the encoder, mm, shape (n,).
        play: mm.
        start: where the probe was before the first sample, mm.
    """
    # "Hold within [low, high]" after another is again one such: the running composition of all is
    # found by doubling, in log n steps over whole arrays.
    low, high = positions - play / 2, positions + play / 2
    stride = 1
    while stride < positions.size:
        new_low, new_high = low.copy(), high.copy()
        new_low[stride:] = np.clip(low[:-stride], low[stride:], high[stride:])
        new_high[stride:] = np.clip(high[:-stride], low[stride:], high[stride:])
        low, high = new_low, new_high
        stride *= 2
    return np.asarray(np.clip(start, low, high), np.float64)
