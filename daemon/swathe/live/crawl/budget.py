"""What a run may take: its time, and the charge of the battery with the way home in it."""

from __future__ import annotations

import math
import time

from swathe.motion import Move, Point, WorkArea
from swathe.motion.limits.moves import move_time
from swathe.station import MotionTable

__all__ = ["Budget", "FinishedError"]

_NS = 1e9


class FinishedError(Exception):
    """There is nothing more to do, or no budget left to do it.

    Args:
        words: why.
        drives_home: what is left of the battery is for the way home.
    """

    def __init__(self, words: str, *, drives_home: bool = False) -> None:
        super().__init__(words)
        self.drives_home = drives_home


class Budget:
    """The budgets of a run, from now on; a battery is full as it begins."""

    def __init__(self, motion: MotionTable) -> None:
        self._retry = motion.retry
        self._begun = time.monotonic()

    @property
    def elapsed(self) -> float:
        """Seconds since the run began."""
        return time.monotonic() - self._begun

    def afford(self, move: Move, area: WorkArea, home: Point | None) -> None:
        """See that a move can be made.

        Args:
            move: the next one.
            area: where the machine moves.
            home: where it must get to on the battery; None while that is not known.

        Raises:
            FinishedError: a budget does not bear it; it must not be made.
        """
        used = self.elapsed + move.seconds
        retry = self._retry
        if retry.time_budget is not None and used > retry.time_budget / _NS:
            raise FinishedError("time budget: the next move would pass it")
        if retry.battery_budget is None:
            return
        if home is not None and home != move.end:
            used += move_time(math.dist(move.end, home), *area.limits.path(move.end, home))
        if used > retry.battery_budget / _NS:
            words = "battery budget: the next move and the way home would pass it"
            raise FinishedError(words, drives_home=True)
