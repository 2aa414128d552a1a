"""What the daemon notices of its own computer: disk, loop and clock, each as alarms."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from swathe.live.health import Health
from swathe.live.loop_watch import LoopWatch
from swathe.live.session import Session
from swathe.station import AlarmKind

__all__ = ["ComputerWatch"]

_log = logging.getLogger(__name__)


class ComputerWatch:
    """Shows, with each tick, what disk, loop and clock do wrong.

    Args:
        session: of the run.
        health: journals what is noticed.
        wall_clock: ns since 1970.

    Attributes:
        loop: is given each round.
    """

    def __init__(
        self,
        session: Session,
        health: Health,
        *,
        wall_clock: Callable[[], int] = time.time_ns,
    ) -> None:
        self._session = session
        self._health = health
        self._wall_clock = wall_clock
        self.loop = LoopWatch()

    def stopping(self) -> None:
        """Report that the end of the run waits for the disk, if it does."""
        if trouble := self._session.disk_trouble:
            _log.warning("the end of the run waits for the disk: %s", trouble)

    def show(self, now: int) -> str:
        """Show it at `now`, host time in ns; return why what is journalled only waits in memory."""
        for kind, text in self._session.disk_alarms().items():
            self._health.show(kind, text)
        self._health.show(AlarmKind.HELD_UP, self.loop.text(now))
        if (clock := self._session.clock_watch) is not None:
            self._health.show(AlarmKind.CLOCK_NOT_SET, clock.not_set())
            self._health.show(AlarmKind.CLOCK_STEPPED, clock.stepped(self._wall_clock() - now))
        return self._session.disk_trouble
