"""The return of the probe to the start of the scan axis, which begins another line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.station import Axis

__all__ = ["ReturnWatch"]

# The probe must have moved out by this share of the length before its return means a new line.
_OUT_SHARE = 0.5
# Back means within this share of the length of the start, at least two cells.
_BACK_SHARE = 0.02


class ReturnWatch:
    """Detects the return of the scan position to the start.

    Args:
        scan: the scan axis.
    """

    def __init__(self, scan: Axis) -> None:
        length = (scan.cells - 1) * scan.resolution
        self._out = scan.start + _OUT_SHARE * length
        self._back = scan.start + min(max(_BACK_SHARE * length, 2 * scan.resolution), 0.25 * length)
        self._armed = False
        self._side = np.int8(0)

    def returns(self, times: NDArray[np.int64], positions: NDArray[np.float64]) -> list[int]:
        """Return the times at which the probe came back, among these samples, ns."""
        found: list[int] = []
        # +1 out, -1 back, 0 between: only changes of side matter, and they are few.
        side = (positions >= self._out).astype(np.int8) - (positions <= self._back)
        changes = np.flatnonzero(np.diff(side, prepend=self._side))
        self._side = side[-1] if side.size else self._side
        for k in changes.tolist():
            if side[k] == 1:
                self._armed = True
            elif side[k] == -1 and self._armed:
                self._armed = False
                found.append(int(times[k]))
        return found

    def disarm(self) -> None:
        """Require the way out again: the line was set by other means."""
        self._armed = False
