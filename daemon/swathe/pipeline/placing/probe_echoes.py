"""Which probe of several has no echo while others have some.

A wall that gives no echo, a lifted carriage or lost couplant concern all probes, and have an alarm of
their own. Where some probes have echoes and one has none for a while, it is that probe, its cable, its
couplant or the wall under it alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Times, distinct
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.newest_times import NEVER, NewestTimes
from swathe.station import AlarmKind

__all__ = ["ProbeEchoes"]

# Others have echoes as long as the newest one of any is no older, nor half of the limit: all lose
# theirs at once where the carriage is lifted. (Our choice, no source.)
_OTHERS_NS = 300_000_000


class ProbeEchoes:
    """Follows the echoes of each probe of one run.

    Args:
        names: of the probes, by number.

    Attributes:
        lost: numbers of the probes without an echo at the last instant.
        last_echo: of each probe, host time in ns, at the last instant; `NEVER` before any.
        last_reading: likewise, with or without an echo.
        conditions: changes since they were taken last.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self._names = tuple(names)
        self._echoes = [NewestTimes() for _ in names]
        self._readings = [NewestTimes() for _ in names]
        self._is_lost = np.zeros(len(names), bool)
        self.last_echo = np.full(len(names), NEVER)
        self.last_reading = np.full(len(names), NEVER)
        self.conditions: list[Condition] = []

    @property
    def lost(self) -> frozenset[int]:
        """Numbers of the probes without an echo while others have some, at the last instant."""
        return frozenset(np.flatnonzero(self._is_lost).tolist())

    def add_readings(self, readings: NDArray[Any], known: Times) -> None:
        """Add readings as they were decoded, with the numbers of their probes, shape (n,).

        Args:
            readings: with times on the host's clock.
            known: journal times with which they arrived, ns.
        """
        if len(self._names) < 2:  # nothing would ever take them
            return
        for number in distinct(np.ascontiguousarray(readings["probe"])).tolist():
            rows = readings["probe"] == number
            times = readings["time"][rows]
            self._readings[number].add(times, known[rows])
            echo = readings["valid"][rows]
            self._echoes[number].add(times[echo], known[rows][echo])

    def follow(self, instants: Times, awaited: int, limit: int) -> None:
        """Follow the next instants, host times in ns, rising, shape (n,).

        Args:
            instants: all that was known by then was added.
            awaited: since when echoes are awaited, ns; `NEVER` while none is.
            limit: without an echo for so long a probe has lost it, ns.
        """
        if len(self._names) < 2 or not instants.size:
            return
        echoes = np.stack([one.at(instants) for one in self._echoes])
        readings = np.stack([one.at(instants) for one in self._readings])
        self.last_echo, self.last_reading = echoes[:, -1], readings[:, -1]
        newest = np.sort(echoes, axis=0)
        near = min(_OTHERS_NS, limit // 2)
        for number, name in enumerate(self._names):
            last = echoes[number]
            others = np.where(last == newest[-1], newest[-2], newest[-1])
            since = np.maximum(last, awaited)
            long = np.asarray(since <= instants - limit) & (awaited > NEVER)
            begins = long & (others >= instants - near)
            ends = (last > NEVER) & (last > instants - limit)
            self._change(number, name, instants, begins & ~ends, ends, readings[number], last)

    def _change(
        self,
        number: int,
        name: str,
        instants: Times,
        begins: Bools,
        ends: Bools,
        readings: Times,
        last: Times,
    ) -> None:
        """Note where a probe loses its echo, and where it has one again, shape (n,) each."""
        changes = np.where(begins, 1, np.where(ends, -1, 0))
        for k in np.flatnonzero(changes).tolist():
            is_lost = bool(changes[k] > 0)
            if is_lost == self._is_lost[number]:
                continue
            self._is_lost[number] = is_lost
            detail = ""
            if is_lost:
                sent = bool(readings[k] > last[k])
                what = "readings without echo" if sent else "no readings"
                detail = f"probe {name}: {what}, while other probes have echoes: check it, its cable and couplant"
            since = int(last[k]) if last[k] > NEVER else None
            self.conditions.append(
                Condition(
                    AlarmKind.PROBE,
                    name,
                    int(instants[k]),
                    is_lost,
                    detail,
                    since=since if is_lost else None,
                )
            )
