"""The longest of the recent intervals between a gauge's readings, as its jitter makes them.

Readings are taken in groups of 64, from the first one of a run on, so that the result does not depend
on how they were batched.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Times

__all__ = ["LongestInterval"]

_GROUP = 64
_GROUPS = 8


class LongestInterval:
    """Follows the intervals of one gauge; at first, and of irregular records, 0."""

    def __init__(self) -> None:
        self._steps: Times = np.empty(0, np.int64)  # of the group so far
        self._longest: Times = np.zeros(_GROUPS, np.int64)  # of the last whole groups

    def follow(self, steps: Times, silent: Bools) -> NDArray[np.int64]:
        """Return the longest interval of the eight whole groups before each reading, ns, shape (n,).

        Args:
            steps: from the reading before to each of the next ones, ns, shape (n,).
            silent: of these, which do not count: the gauge was silent, or a reading is lost.
        """
        before = self._steps.size
        held = np.concatenate((self._steps, np.where(silent, 0, steps)))
        whole = held.size // _GROUP
        groups = held[: whole * _GROUP].reshape(whole, _GROUP).max(axis=1, initial=0)
        maxima = np.concatenate((self._longest, groups))
        # Windows of as many groups: the first one is that before any of these was whole.
        windows = np.lib.stride_tricks.sliding_window_view(maxima, _GROUPS).max(axis=1)
        self._steps, self._longest = held[whole * _GROUP :], maxima[-_GROUPS:]
        number = np.arange(before + 1, before + steps.size + 1) // _GROUP
        return np.asarray(windows[number])
