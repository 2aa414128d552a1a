"""When the process stood still, and which bytes waited meanwhile.

A live run journals a tick every 120 ms at the latest. Where the times of all entries have a gap of
more than half a second, the process was stopped, or the machine slept. Bytes that came meanwhile
waited in the kernel and are read at once after it: what is timed by their arrival has no known time.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Final

import numpy as np

from swathe.arrays import Bools, Times
from swathe.pipeline.placing.conditions import Condition
from swathe.station import AlarmKind

__all__ = ["STANDSTILL_NS", "WAITED_NS", "Standstills"]

STANDSTILL_NS: Final = 500_000_000
"""A gap between two entries of more than this is a standstill."""

WAITED_NS: Final = 250_000_000
"""What waited is read within so long after it: buffers are emptied as fast as they are read."""


class Standstills:
    """The standstills of one run."""

    def __init__(self) -> None:
        self._begins: list[int] = []
        self._ends: list[int] = []

    def add(self, begin: int, end: int) -> None:
        """Note that no entry came from `begin` to `end`, journal times in ns."""
        self._begins.append(begin)
        self._ends.append(end)

    def waited(self, arrived: Times) -> Bools:
        """Return which records, by the journal times of their arrival, may have waited, (n,)."""
        if not self._ends:
            return np.zeros(arrived.shape, bool)
        ends = np.array([0, *self._ends], np.int64)
        number = np.searchsorted(ends[1:], arrived, side="right")
        return np.asarray((number > 0) & (arrived < ends[number] + WAITED_NS))

    def deadline(self, begin: int, wait: int) -> int:
        """Return when something has been awaited for `wait` since `begin`, ns.

        After a standstill it is awaited for as long again.
        """
        due = begin + wait
        for number in range(bisect_right(self._ends, begin), len(self._ends)):
            if due <= self._begins[number]:
                break
            due = self._ends[number] + wait
        return due

    def conditions(self, arrived: int) -> list[Condition]:
        """Return the condition that something waited, and its end.

        Args:
            arrived: journal time with which it arrived, ns.
        """
        number = int(np.searchsorted(self._ends, arrived, side="right")) - 1
        begin, end = self._begins[number], self._ends[number]
        text = (
            f"the process stood still for {(end - begin) / 1e9:.1f} s: what waited meanwhile and is"
            " timed by its arrival is unplaced"
        )
        kind = AlarmKind.STANDSTILL
        return [
            Condition(kind, "", arrived, True, text),
            Condition(kind, "", end + WAITED_NS, False),
        ]
