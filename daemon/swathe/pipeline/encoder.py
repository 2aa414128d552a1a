"""From encoder counts to mm on an axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.station import AxisSettings

__all__ = ["CountsToPosition", "GlitchGate", "follow_with_play"]

# A jump that lasts for so many samples is no glitch: the counter was set, or the probe was carried.
_LASTING_SAMPLES = 4
# Rounding of the counts and of the times lets a probe at its limit seem a little faster.
_SLACK_MM = 0.5


class CountsToPosition:
    """Undoes roll-over and scales the counts of one axis.

    ``position = zero_at ± (counts - zero_count) / counts_per_mm``

    Args:
        settings: the axis's table in the station file.
        bits: width of the counter; None if it never rolls over.
        is_length: the device sends mm; only sign and zero are applied.

    Attributes:
        drifts: mm by which each passing of the index mark moved the positions.
    """

    def __init__(self, settings: AxisSettings, *, bits: int | None, is_length: bool) -> None:
        scale = 1.0 if is_length else 1.0 / settings.scale
        self._scale = -scale if settings.reversed else scale
        self._zero_count = settings.zero_count
        self._zero_at = settings.zero_at
        self._turn = float(1 << bits) if bits else None
        self._last: float | None = None
        self._mark_at = settings.index_mark_at
        self._shift = 0.0
        self.drifts: list[float] = []
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
        if self._play:
            start = float(positions[0]) if self._followed is None else self._followed
            positions = follow_with_play(positions, self._play, start)
            self._followed = float(positions[-1])
        return positions

    def _from_marks(
        self, positions: NDArray[np.float64], marks: NDArray[np.int64], mark_at: float
    ) -> NDArray[np.float64]:
        shift = np.full(positions.shape, self._shift)
        for k in marks.tolist():  # few: one each time the mark is passed
            new = mark_at - float(positions[k])
            self.drifts.append(new - self._shift)
            shift[k:] = self._shift = new
        return np.asarray(positions + shift, np.float64)


def follow_with_play(
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


class GlitchGate:
    """Keeps out samples that no probe can have reached, such as one count read wrong.

    A sample farther from the last good one than the highest speed allows is held back. If the next
    ones agree with it rather than with what was before, it was no glitch: the counter was set or
    the probe was carried, and the track goes on from there.

    Args:
        most_speed: mm/s; None lets everything through.

    Attributes:
        glitches: samples kept out so far.
    """

    def __init__(self, most_speed: float | None) -> None:
        self._most = None if most_speed is None else most_speed / 1e9
        self._last: tuple[int, float] | None = None
        self._held: list[tuple[int, float]] = []
        self.glitches = 0

    def keep(self, times: NDArray[np.int64], positions: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return which samples are good, shape (n,); call in the order of the stream."""
        good = np.ones(times.shape, bool)
        if self._most is None or not times.size:
            return good
        if self._last is None:
            self._last = (int(times[0]), float(positions[0]))
        spans = np.diff(times, prepend=self._last[0])
        steps = np.abs(np.diff(positions, prepend=self._last[1]))
        if not self._held and np.all(steps <= self._most * spans + _SLACK_MM):
            self._last = (int(times[-1]), float(positions[-1]))
            return good  # the usual case, without a look at each
        for k, sample in enumerate(zip(times.tolist(), positions.tolist(), strict=True)):
            good[k] = self._take(sample)
        return good

    def _take(self, sample: tuple[int, float]) -> bool:
        if self._last is None or self._reachable(self._last, sample):
            self.glitches += len(self._held)
            self._held.clear()
            self._last = sample
            return True
        if self._held and not self._reachable(self._held[-1], sample):
            self.glitches += len(self._held)
            self._held.clear()
        self._held.append(sample)
        if len(self._held) < _LASTING_SAMPLES:
            return False
        # It lasts: the earlier ones of the new place are lost to the track, but were no glitches.
        self._held.clear()
        self._last = sample
        return True

    def _reachable(self, before: tuple[int, float], sample: tuple[int, float]) -> bool:
        most = self._most or 0.0
        return abs(sample[1] - before[1]) <= most * (sample[0] - before[0]) + _SLACK_MM
