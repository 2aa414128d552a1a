"""Telling the next line of a stepped index axis by the probe's return to the start."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.station import Axis

__all__ = ["ReturnWatch"]

# The probe must have gone this share of the length before coming back means a new line.
_GONE = 0.5
# Back is within this share of the length of the start, two cells at least.
_BACK = 0.02


class ReturnWatch:
    """Watches the scan position go out and come back.

    Args:
        scan: the scan axis.
    """

    def __init__(self, scan: Axis) -> None:
        length = (scan.cells - 1) * scan.resolution
        self._out = scan.start + _GONE * length
        self._back = scan.start + min(max(_BACK * length, 2 * scan.resolution), 0.25 * length)
        self._armed = False

    def returns(self, times: NDArray[np.int64], positions: NDArray[np.float64]) -> list[int]:
        """Return the times at which the probe came back, among these samples, ns."""
        found: list[int] = []
        # +1 out, -1 back, 0 between: only changes of side matter, and they are few.
        side = (positions >= self._out).astype(np.int8) - (positions <= self._back)
        for k in np.flatnonzero(np.diff(side, prepend=np.int8(0))).tolist():
            if side[k] == 1:
                self._armed = True
            elif side[k] == -1 and self._armed:
                self._armed = False
                found.append(int(times[k]))
        return found

    def disarm(self) -> None:
        """A line was told by other means; the way out has to be gone anew."""
        self._armed = False
