"""Pauses: while one lasts, readings count for no cell and the probe's path is not followed.

What counts is when a reading was taken, not when it arrived: what was under way as the pause began
still belongs to its cell. A pause ends when it is said so, or with a run that ends in good order;
a daemon that was killed in a pause comes back paused.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.placed import ProbePath

__all__ = ["Pauses"]

_NEVER = int(np.iinfo(np.int64).max)
_EVER = int(np.iinfo(np.int64).min)


class Pauses:
    """The pauses of the present run.

    Attributes:
        active: whether there is one now.
        because: what for, of the one now.
        by: who said so.
    """

    def __init__(self) -> None:
        self.active = False
        self.because = ""
        self.by = ""
        self._begins: list[int] = []
        self._ends: list[int] = []

    @property
    def since(self) -> int | None:
        """Host time from which on nothing counts, ns; None while there is no pause."""
        return self._begins[-1] if self.active and self._begins else None

    def begin(self, time: int, *, by: str, because: str, from_start: bool = False) -> None:
        """Pause from the host time `time`, ns; one that lasts continues under the newer name.

        Args:
            time: from now on, and
            by: who says so.
            because: what for.
            from_start: whether nothing of this run counts that was read before, either; lines that
                waited in a port may be older than the run. A pause that an earlier run left
                continues under its name.
        """
        if from_start and self.active:
            return
        was, self.active, self.by, self.because = self.active, True, by, because
        if not was:
            self._begins.append(_EVER if from_start and not self._begins else time)
            self._ends.append(_NEVER)

    def end(self, time: int) -> None:
        """Resume at the host time `time`, ns."""
        if self.active:
            self.active, self.by, self.because = False, "", ""
            self._ends[-1] = time

    def reopen(self) -> None:
        """A run begins: host times of an earlier one may be another clock's."""
        self._begins, self._ends = ([_EVER], [_NEVER]) if self.active else ([], [])

    @property
    def last_end(self) -> int | None:
        """When the last pause ended, host time in ns; None before one did."""
        return next((end for end in reversed(self._ends) if end != _NEVER), None)

    def holds(self, times: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return whether each host time, ns, is in a pause, shape as `times`."""
        if not self._begins:
            return np.zeros(times.shape, bool)
        begun = np.searchsorted(self._begins, times, side="right")
        ends = np.array([0, *self._ends])
        return np.asarray((begun > 0) & (times < ends[begun]))

    def cut(self, path: ProbePath) -> ProbePath | None:
        """Return the path without what was covered in a pause; None when nothing is left.

        No path leads from the last sample before a pause to the first one after it.
        """
        if not self._begins:
            return path
        held = self.holds(path.time)
        begun = np.searchsorted(self._begins, path.time, side="right")
        apart = np.zeros(held.shape, bool)
        apart[1:] = held[:-1] | (np.diff(begun) > 0)
        return path.without(held, apart)
