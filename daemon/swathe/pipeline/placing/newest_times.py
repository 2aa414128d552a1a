"""The newest of some times that are known at a moment."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Times

__all__ = ["NEVER", "NewestTimes"]

NEVER: Final = int(np.iinfo(np.int64).min)
"""Before all times."""

_NO_TIMES = np.empty(0, np.int64)


class NewestTimes:
    """Finds the newest of some times known at instants.

    Attributes:
        last: the newest one known at the instants asked for last; `NEVER` before any.
    """

    def __init__(self) -> None:
        self.last = NEVER
        self._times: list[Times] = []
        self._known: list[Times] = []

    def add(self, times: Times, known: Times) -> None:
        """Add times, ns, each with the journal time from which it is known, shape (n,)."""
        self._times.append(times)
        self._known.append(known)

    def at(self, instants: Times) -> Times:
        """Return the newest time known at each of the next instants; shape as `instants`."""
        known = np.concatenate([_NO_TIMES, *self._known])
        times = np.concatenate([_NO_TIMES, *self._times])
        if (np.diff(known) < 0).any():  # of several devices
            order = np.argsort(known, kind="stable")
            known, times = known[order], times[order]
        newest = np.maximum.accumulate(np.concatenate(([self.last], times)))
        number = np.searchsorted(known, instants, side="right")
        if number.size:
            self._times, self._known = [newest[number[-1] + 1 :]], [known[number[-1] :]]
            self.last = int(newest[number[-1]])
        return np.asarray(newest[number])
