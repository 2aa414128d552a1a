"""How fast things go: running figures over the last seconds of the journal's time."""

from __future__ import annotations

from collections import deque

__all__ = ["Pace"]


class Pace:
    """Rate of a rising total over a sliding window.

    Args:
        window_ns: length of the window.
    """

    def __init__(self, window_ns: int) -> None:
        self._window = window_ns
        self._samples: deque[tuple[int, float]] = deque()

    def note(self, time: int, total: float) -> None:
        """Take the total as it stands at `time`, ns."""
        samples = self._samples
        samples.append((time, total))
        while len(samples) > 2 and samples[1][0] <= time - self._window:
            samples.popleft()

    @property
    def per_second(self) -> float:
        """Rise per second over the window; 0 while unknown."""
        if len(self._samples) < 2:
            return 0.0
        (t0, v0), (t1, v1) = self._samples[0], self._samples[-1]
        return (v1 - v0) / (t1 - t0) * 1e9 if t1 > t0 else 0.0
