"""Devices that send nothing at all while their port is open.

A device that makes its records by time is silent when no byte has come for longer than its usual
deliveries explain, a polled one when several requests in a row had no answer as well. A device that
sends on change or on a trigger may be silent for any time, and is not followed.

What is decided depends on the journal times of the deliveries only: a silence begins, as a condition,
when its time has passed, and ends with the next byte.
"""

from __future__ import annotations

import numpy as np

from swathe.arrays import Ints, Times
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.interval import UsualInterval
from swathe.pipeline.placing.standstill import Standstills
from swathe.station import AlarmKind

__all__ = ["SilentDevice"]

# Silence that no one takes for a pause between deliveries: so long, or so many usual intervals if
# that is longer. (Our choice, no source.)
_SILENT_NS = 3_000_000_000
_SILENT_INTERVALS = 10
# A polled device is silent when so many requests have gone unanswered, too.
_FEWEST_UNANSWERED = 2


class SilentDevice:
    """Follows the deliveries of one device through one run.

    Args:
        name: of the device.
        polled: whether it only answers requests.
        limit_ns: silence from which on it is reported, ns; by default from its usual deliveries.

    Attributes:
        conditions: changes since they were taken last.
    """

    def __init__(self, name: str, *, polled: bool = False, limit_ns: int | None = None) -> None:
        self._name = name
        self._polled = polled
        self._limit = limit_ns
        self._usual = UsualInterval()
        self._allowed = _SILENT_NS if limit_ns is None else limit_ns
        # Since when a delivery is awaited: the last one, or the opening of the port; None while it is
        # not open.
        self._since: int | None = None
        self._is_first = True  # whether none came since the opening
        self._holds = False
        self._unanswered: list[int] = []  # journal times
        self.conditions: list[Condition] = []

    def port_changed(self, now: int, *, is_open: bool) -> None:
        """Await deliveries from the opening of the port at `now`, ns; none while it is not open."""
        if self._holds:
            self._end(now)
        self._since, self._is_first = (now if is_open else None), True
        self._unanswered.clear()

    def add_unanswered(self, known: list[int]) -> None:
        """Add the journal times at which requests were given up for want of an answer, ns."""
        self._unanswered += known

    def advance(self, arrived: Times, now: int, standstills: Standstills) -> None:
        """Take the next deliveries, and look for silence before the journal time `now`.

        Args:
            arrived: journal times of the next chunks, ns, rising, shape (n,).
            now: ns; all deliveries before it were taken.
            standstills: of the process, in which nothing could be read.
        """
        if self._since is None:
            return
        if arrived.size:
            allowed = self._follow(arrived)
            begins = np.concatenate(([self._since], arrived[:-1]))
            if self._holds:
                begins[0] = arrived[0]  # what was before it was reported
                self._end(int(arrived[0]))
            for k in np.flatnonzero(arrived - begins > allowed).tolist():
                self._is_first = self._is_first and k == 0
                self._look(int(begins[k]), int(arrived[k]), int(allowed[k]), standstills)
                if self._holds:
                    self._end(int(arrived[k]))
            self._since, self._is_first = int(arrived[-1]), False
            self._unanswered = [time for time in self._unanswered if time > self._since]
        if not self._holds:
            self._look(self._since, now, self._allowed, standstills)

    def _follow(self, arrived: Times) -> Ints:
        """Return which silence is allowed before each of the next deliveries, ns, shape (n,)."""
        if self._limit is not None:
            return np.full(arrived.shape, self._limit)
        usual = self._usual.follow(arrived)
        limits = np.maximum(_SILENT_NS, _SILENT_INTERVALS * usual)
        allowed = np.concatenate(([self._allowed], limits[:-1]))
        self._allowed = int(limits[-1])
        return allowed

    def _look(self, begin: int, end: int, allowed: int, standstills: Standstills) -> None:
        """Report a silence from `begin` that has lasted for longer than `allowed` before `end`, ns."""
        if self._holds or end - begin <= allowed:
            return
        due = standstills.deadline(begin, allowed)
        times = [time for time in self._unanswered if begin < time]
        if self._polled:
            if len(times) < _FEWEST_UNANSWERED:
                return
            due = max(due, times[_FEWEST_UNANSWERED - 1])
        if due >= end:
            return
        self._holds = True
        asked = sum(time <= due for time in times)
        self.conditions.append(
            Condition(
                kind=AlarmKind.SILENT,
                of=self._name,
                known=due,
                holds=True,
                detail=self._text(due - begin, asked),
                since=begin,
            )
        )

    def _text(self, silence: int, asked: int) -> str:
        seconds = f"{silence / 1e9:.3g} s"
        # Settings with which bytes came before are not in question.
        check = (
            "check its power, cable and baud rate" if self._is_first else "check power and cable"
        )
        if self._polled:
            return f"{self._name} was asked {asked} times in {seconds}, no answer: {check}"
        opening = " since its port was opened" if self._is_first else ""
        return f"no bytes from {self._name} for {seconds}{opening}: {check}"

    def _end(self, known: int) -> None:
        self._holds = False
        self.conditions.append(Condition(AlarmKind.SILENT, self._name, known, holds=False))
