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

_TOGETHER_NS = 50_000_000


class ComputerWatch:
    """Shows, with each tick, what disk, loop and clock do wrong, and what else is followed.

    Args:
        session: of the run.
        health: journals what is noticed.
        wall_clock: ns since 1970.
        clock: host's monotonic clock, ns.

    Attributes:
        loop: is given each round.
    """

    def __init__(
        self,
        session: Session,
        health: Health,
        *,
        wall_clock: Callable[[], int] = time.time_ns,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._session = session
        self._health = health
        self._wall_clock, self._clock = wall_clock, clock
        self.loop = LoopWatch()

    def stopping(self) -> None:
        """Report that the end of the run waits for the disk, if it does."""
        if trouble := self._session.disk_trouble:
            _log.warning("the end of the run waits for the disk: %s", trouble)

    def _offset(self) -> int | None:
        """Return the offset from host time to UTC, ns; None where the two were not read together.

        A process that is held up between the two readings sees a step that was none.
        """
        before = self._clock()
        wall = self._wall_clock()
        after = self._clock()
        return None if after - before > _TOGETHER_NS else wall - before

    def show(self, now: int) -> str:
        """Show it at `now`, host time in ns; return why what is journalled only waits in memory."""
        for kind, text in self._session.disk_alarms().items():
            self._health.show(kind, text)
        self._health.show(AlarmKind.HELD_UP, self.loop.text(now))
        self._health.show_followed()
        if (clock := self._session.clock_watch) is not None:
            self._health.show(AlarmKind.CLOCK_NOT_SET, clock.not_set())
            offset = self._offset()
            if offset is not None:
                self._health.show(AlarmKind.CLOCK_STEPPED, clock.stepped(offset))
        return self._session.disk_trouble
