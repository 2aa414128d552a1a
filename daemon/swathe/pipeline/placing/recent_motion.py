"""How far the probe moved within a while before each sample of its path."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Floats, Times, steps_of

__all__ = ["RecentMotion"]

# Longer whiles are reckoned from so much of them.
_LONGEST_NS: Final = 2_000_000_000
# Travel is summed in whole nanometres, so that no sum depends on where the path was cut.
_NM_PER_MM = 1e6


class RecentMotion:
    """Follows one axis of the path."""

    def __init__(self) -> None:
        self._times: Times = np.empty(0, np.int64)
        self._positions: Floats = np.empty(0)
        self._travelled: NDArray[np.int64] = np.empty(0, np.int64)  # nm

    def follow(
        self, times: Times, positions: Floats, resets: NDArray[np.bool_], whiles: Times
    ) -> Floats:
        """Return how far the probe moved within a while before each sample, mm, shape as `whiles`.

        Args:
            times: of the next samples, ns, rising, shape (n,).
            positions: mm, shape (n,).
            resets: samples to which no path leads, shape (n,).
            whiles: ns, shape (n,), or (m, n) for several of each sample.
        """
        if not times.size:
            return np.zeros(whiles.shape)
        before = self._positions[-1] if self._positions.size else positions[0]
        mm = np.where(resets | ~np.isfinite(positions), 0.0, np.abs(steps_of(positions, before)))
        mm = np.nan_to_num(mm)
        start = int(self._travelled[-1]) if self._travelled.size else 0
        travelled = start + np.cumsum(np.rint(mm * _NM_PER_MM).astype(np.int64))
        first = self._times.size
        self._times = np.concatenate((self._times, times))
        self._positions = np.concatenate((self._positions, positions))
        self._travelled = np.concatenate((self._travelled, travelled))
        # From the last sample at or before the beginning of the while, or the first of all.
        begins = times - np.minimum(whiles, _LONGEST_NS)
        at = np.searchsorted(self._times, begins, side="right") - 1
        at = np.clip(at, 0, np.arange(first, first + times.size))
        spans = np.maximum(times - self._times[at], 1)
        moved = (travelled - self._travelled[at]) / _NM_PER_MM
        found = moved * (whiles / spans)  # at the mean speed since that sample
        keep = max(int(np.searchsorted(self._times, times[-1] - _LONGEST_NS, side="right")) - 1, 0)
        self._times, self._positions = self._times[keep:], self._positions[keep:]
        self._travelled = self._travelled[keep:]
        return np.asarray(found)
