"""A filter of encoder samples that no probe can have reached."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["GlitchFilter"]

# A jump that lasts for so many samples is no glitch: the counter was set, or the probe was carried.
_LASTING_SAMPLES = 4
# Rounding of counts and times makes a probe at its limit seem a little faster.
_SLACK_MM = 0.5
# Samples that are compared at once.
_SLICE = 512

Sample = tuple[int, float]


class GlitchFilter:
    """Discards samples that the scanner cannot have reached, such as one count read wrong.

    A sample is held back when it is farther from the last good one than the maximum speed allows,
    or farther from where the last two good ones were heading than the maximum acceleration allows.
    If the next ones agree with it rather than with those before, it is no glitch: the counter was
    set or the probe was carried, and the track continues from there.

    Args:
        max_speed: mm/s; None for no limit.
        max_acceleration: mm/s²; None for no limit.

    Attributes:
        glitches: samples discarded so far.
        resets: which of the samples given last are the first good ones after a position reset.
    """

    def __init__(self, max_speed: float | None, max_acceleration: float | None = None) -> None:
        self._max_speed = np.inf if max_speed is None else max_speed / 1e9
        self._max_acceleration = np.inf if max_acceleration is None else max_acceleration / 1e18
        self._idle = max_speed is None and max_acceleration is None
        self._good: list[Sample] = []  # the last two good ones, older first
        self._held: list[Sample] = []
        self.glitches = 0
        self.resets: NDArray[np.bool_] = np.empty(0, bool)

    def keep(self, times: NDArray[np.int64], positions: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return which samples are good, shape (n,); call in the order of the stream."""
        good = np.ones(times.shape, bool)
        self.resets = np.zeros(times.shape, bool)
        if self._idle or not times.size:
            return good
        k = 0
        while k < times.size:
            some = slice(k, k + _SLICE)
            if not self._held:
                reachable = self._reachable_run(times[some], positions[some])
                if reachable:
                    first = max(k, k + reachable - 2)
                    newest = zip(
                        times[first : k + reachable].tolist(),
                        positions[first : k + reachable].tolist(),
                        strict=True,
                    )
                    self._good = [*self._good, *newest][-2:]
                    k += reachable
                    continue
            good[k], self.resets[k] = self._take((int(times[k]), float(positions[k])))
            k += 1
        return good

    def restart(self) -> None:
        """Take the next sample as good wherever it is: the position was reset."""
        self._good.clear()
        self._held.clear()

    def _reachable_run(self, times: NDArray[np.int64], positions: NDArray[np.float64]) -> int:
        """Return how many of the next samples are good, each reachable from those before it."""
        if not self._good:
            return 0
        t = np.concatenate(([time for time, _ in self._good], times)).astype(np.float64)
        x = np.concatenate(([place for _, place in self._good], positions))
        spans, steps = np.diff(t), np.diff(x)
        bad = np.zeros(spans.shape, bool)
        if np.isfinite(self._max_speed):
            bad = np.abs(steps) > self._max_speed * spans + _SLACK_MM
        if np.isfinite(self._max_acceleration) and steps.size > 1:
            before, after = np.maximum(spans[:-1], 1.0), spans[1:]
            off = np.abs(steps[1:] - steps[:-1] / before * after)
            bad[1:] |= off > self._leeway(before, after)
        bad = bad[len(self._good) - 1 :]
        return int(np.argmax(bad)) if bad.any() else int(times.size)

    def _leeway(
        self, before: NDArray[np.float64], after: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return how far a sample may be from the straight continuation, mm.

        The speed between two samples is that at their middle, and off by their rounding.
        """
        bent = self._max_acceleration * after * (before + after) / 2
        return np.asarray(bent + _SLACK_MM * (1 + after / before), np.float64)

    def _take(self, sample: Sample) -> tuple[bool, bool]:
        """Return whether a sample is good, and whether it is the first one after a position reset."""
        if not self._good or self._reachable(self._good, sample):
            self.glitches += len(self._held)
            self._held.clear()
            self._good = [*self._good, sample][-2:]
            return True, False
        if self._held and not self._reachable(self._held[-2:], sample):
            self.glitches += len(self._held)
            self._held.clear()
        self._held.append(sample)
        if len(self._held) < _LASTING_SAMPLES:
            return False, False
        # It lasts: the earlier ones after the reset are lost to the track, but were no glitches.
        self._good = self._held[-2:]
        self._held.clear()
        return True, True

    def _reachable(self, before: list[Sample], sample: Sample) -> bool:
        time, place = before[-1]
        span, step = float(sample[0] - time), sample[1] - place
        if np.isfinite(self._max_speed) and abs(step) > self._max_speed * span + _SLACK_MM:
            return False
        if len(before) < 2 or not np.isfinite(self._max_acceleration):
            return True
        earlier = max(float(time - before[-2][0]), 1.0)
        heading = (place - before[-2][1]) / earlier * span
        leeway = self._leeway(np.array([earlier]), np.array([span]))
        return abs(step - heading) <= float(leeway[0])
