"""Whether the echo was away between two couplings, seen in the readings alone.

A probe that is lifted has no echo: its readings are invalid, or an instrument sends none. Both leave a
gap between readings with an echo. Slow or bunched instruments have gaps of their own, so a gap counts
when it is twice as long as any while the probe was held (our choice), and 0.3 s at least: a hand does
not lift a probe and put it on again faster, and a single reading may drop out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["EchoAbsence"]

_MIN_NS = 300_000_000
_TIMES_USUAL = 2


class EchoAbsence:
    """Follows the times of readings with an echo; `seen` says whether it was away since `begin`."""

    def __init__(self) -> None:
        self.seen = False
        self._limit = _MIN_NS
        self._last: int | None = None

    def begin(self, held: NDArray[np.int64]) -> None:
        """Begin to look for an absence, at the end of a coupling.

        Args:
            held: times of its readings, ns, rising, shape (n,).
        """
        gaps = np.diff(held)
        self._limit = max(_MIN_NS, _TIMES_USUAL * int(gaps.max(initial=0)))
        self._last = int(held[-1]) if held.size else None
        self.seen = False

    def feed(self, times: NDArray[np.int64]) -> None:
        """Take in times of readings with an echo, ns, rising, shape (n,)."""
        if not times.size:
            return
        first = times if self._last is None else np.concatenate(([self._last], times))
        if np.diff(first).max(initial=0) >= self._limit:
            self.seen = True
        self._last = int(times[-1])

    def interrupted(self) -> None:
        """Forget the newest time: the port was lost, and a silence of the line is no lifted probe."""
        self._last = None
