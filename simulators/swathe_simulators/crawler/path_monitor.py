"""The crawler's true path: zones entered, and how often a line was driven."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from swathe_simulators.crawler.drive import Pair, crosses
from swathe_simulators.crawler_models import CommandedModel, ZoneModel
from swathe_simulators.trajectory import Trajectory

_SAME_LINE_MM = 1.0


@dataclass(frozen=True, slots=True)
class _Visit:
    """A move along scan that is planned or made."""

    begin_s: float
    index: float
    low: float
    high: float


class PathMonitor:
    """Follows a trajectory up to what can't be changed any more."""

    def __init__(self, model: CommandedModel, trajectory: Trajectory) -> None:
        self._zones = list(model.zones)
        self._trajectory = trajectory
        self._seen_s = 0.0
        self._inside = [False] * len(self._zones)
        self._visits: list[_Visit] = []

    def entered(self, until_s: float) -> list[ZoneModel]:
        """Return the zones that the path since the last call has entered, exactly.

        Between two ends of pieces the path is straight, so that no sampling can miss a corner.
        """
        table = self._trajectory.table
        joints = table.start_s[(table.start_s > self._seen_s) & (table.start_s < until_s)]
        times = np.concatenate(([self._seen_s], joints, [until_s]))
        self._seen_s = until_s
        if not self._zones:
            return []
        states = self._trajectory.at(times)
        positions = list(zip(states.scan.tolist(), states.index.tolist(), strict=True))
        found = []
        for number, zone in enumerate(self._zones):
            rectangle = (zone.scan_mm, zone.index_mm)
            for start, end in pairwise(positions):
                within = crosses(start, end, rectangle)
                if within and not self._inside[number]:
                    found.append(zone)
                # One that rests where it has come to a stop is still inside.
                self._inside[number] = crosses(end, end, rectangle)
        return found

    def visits(self, start: Pair, end: Pair, begin_s: float) -> int:
        """Count a move that begins at a time, and return how many before it went there.

        Those count that lie on the same line and overlap by more than half of the shorter.
        """
        if start[1] != end[1] or start[0] == end[0]:
            return 0
        low, high = sorted((start[0], end[0]))
        before = 0
        for visit in self._visits:
            overlap = min(high, visit.high) - max(low, visit.low)
            shorter = min(high - low, visit.high - visit.low)
            if abs(visit.index - start[1]) < _SAME_LINE_MM and overlap > shorter / 2:
                before += 1
        self._visits.append(_Visit(begin_s, start[1], low, high))
        return before

    def forget_after(self, at_s: float) -> None:
        """Forget moves that were to begin after a time."""
        self._visits = [visit for visit in self._visits if visit.begin_s <= at_s]
