"""From encoder counts to mm on an axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.station import AxisSettings

__all__ = ["CountsToPosition"]


class CountsToPosition:
    """Undoes roll-over and scales the counts of one axis.

    ``position = zero_at ± (counts - zero_count) / counts_per_mm``

    Args:
        settings: the axis's table in the station file.
        bits: width of the counter; None if it never rolls over.
        is_length: the device sends mm; only sign and zero are applied.
    """

    def __init__(self, settings: AxisSettings, *, bits: int | None, is_length: bool) -> None:
        scale = 1.0 if is_length else 1.0 / settings.counts_per_mm
        self._scale = -scale if settings.reversed else scale
        self._zero_count = settings.zero_count
        self._zero_at = settings.zero_at
        self._turn = float(1 << bits) if bits else None
        self._last: float | None = None

    def positions(self, counts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return positions in mm, shape as `counts` (n,); call in the order of the stream.

        A step over half the counter's range is taken as a roll-over.
        """
        if self._turn is not None and counts.size:
            # The first count is taken on the side of the zero count that is nearer.
            last = self._zero_count if self._last is None else self._last
            steps = np.diff(counts, prepend=np.mod(last, self._turn))
            steps -= self._turn * np.round(steps / self._turn)
            counts = last + np.cumsum(steps)
            self._last = float(counts[-1])
        return self._zero_at + (counts - self._zero_count) * self._scale
