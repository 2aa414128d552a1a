"""When what a gauge sent could not be read: its bytes were damaged, or its port was away.

A silence with such a moment in it says nothing of the echo: the gauge may have read all the time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swathe.arrays import Bools, Times

__all__ = ["UnreadTimes"]

_OPEN_END = int(np.iinfo(np.int64).max)


class UnreadTimes:
    """Journal times of damage, and spans in which a port was away, in ns."""

    def __init__(self) -> None:
        self._begins: Times = np.empty(0, np.int64)
        self._ends: Times = np.empty(0, np.int64)

    def add(self, times: Sequence[int], until: int | None = None) -> None:
        """Add journal times with which bytes came that gave no record, or from which on they are lost.

        Args:
            times: ns.
            until: when they came again, ns; None for the same moment.
        """
        if times:
            begins = np.array(times, np.int64)
            self._append(begins, begins if until is None else np.full(begins.shape, until))

    def set_away(self, now: int, *, away: bool) -> None:
        """Take note at `now`, ns, that the port is away, or open."""
        was_away = self._ends == _OPEN_END
        if not away:
            self._ends = np.where(was_away, now, self._ends)
        elif not was_away.any():
            self._append(np.array([now]), np.array([_OPEN_END]))

    def _append(self, begins: Times, ends: Times) -> None:
        # A request without an answer is noted at once, damage once its bytes are decoded.
        begins, ends = np.append(self._begins, begins), np.append(self._ends, ends)
        order = np.argsort(begins, kind="stable")
        self._begins, self._ends = begins[order], ends[order]

    def within(self, first: Times, last: Times) -> Bools:
        """Return in which spans from `first` to `last`, ns, there is such a moment, shape (n,)."""
        if not self._begins.size:
            return np.zeros(first.shape, bool)
        # Those that begin by then, the newest of which ends last.
        count = np.searchsorted(self._begins, last, side="right")
        latest = np.maximum.accumulate(np.append(np.iinfo(np.int64).min, self._ends))[count]
        return np.asarray(latest >= first)

    def forget(self, horizon: int) -> None:
        """Drop what ended before a journal time that nobody asks for any more, ns."""
        kept = self._ends >= horizon
        if not kept.all():
            self._begins, self._ends = self._begins[kept], self._ends[kept]
