"""How far the replay of earlier runs is, and how long it still takes."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime

from swathe.messages import moment

__all__ = ["ResumptionClock", "ResumptionProgress", "resuming_text"]

_INTERVAL_NS = 500_000_000


@dataclass(frozen=True, slots=True)
class ResumptionProgress:
    """How far a replay is.

    Attributes:
        since: when it began.
        percent: of the earlier runs that is replayed.
        seconds_left: until all is, at the pace until now; None while nothing shows a pace, and after it.
    """

    since: datetime
    percent: float
    seconds_left: float | None


class ResumptionClock:
    """Follows the share of a replay, twice a second at most."""

    def __init__(self) -> None:
        self._begun: tuple[int, datetime] | None = None
        self._due = 0

    def follow(self, share: float, now: int) -> ResumptionProgress | None:
        """Return how far it is at `now`, host time in ns, if that is to be shown now.

        Args:
            share: of the earlier runs that is replayed, 0 to 1.
            now: host time, ns.
        """
        if self._begun is None:
            self._begun, self._due = (now, moment(time.time_ns())), now
        if now < self._due:
            return None
        self._due = now + _INTERVAL_NS
        begun, since = self._begun
        left = (now - begun) / 1e9 * (1 - share) / share if 0 < share < 1 else None
        return ResumptionProgress(since, 100 * share, left)


def resuming_text(share: float | None) -> str:
    """Return that a survey is being resumed, and the share that is replayed; empty once it is."""
    if share is None:
        return ""
    return (
        f"the survey is being resumed: the journal of earlier runs is replayed, {share:.0%} is done"
    )
