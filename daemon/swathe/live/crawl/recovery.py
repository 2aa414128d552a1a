"""What follows a halt: it goes on by itself where the station file grants it, waits, or ends."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, Iterator

from swathe.live.crawl.drive import Drive
from swathe.live.crawl.guards import Guards
from swathe.live.crawl.host import HostWatch
from swathe.live.run_state import WaitsFor
from swathe.motion import CrawlStates, Event, State
from swathe.station import MotionTable

__all__ = ["Recovery"]

_TURN_SECONDS = 0.02
# A host that was held up is trusted again once it has run for so long without a break.
_STEADY_SECONDS = 1.0
_RECOVERABLE = (
    Event.PORT_LOST,
    Event.ENCODER_SILENT,
    Event.DISAGREEMENT,
    Event.HOST_SLOW,
    Event.DISK,
)


class Recovery:
    """Decides what follows a halt.

    Args:
        motion: the station's table.
        drive: the machine's port.
        guards: who watches.
        host: knows when this machine was held up.
        say: called with what is waited for.
        clock: host's monotonic clock, ns.
        sleep: waits, s.

    Attributes:
        hopeless: why only a person can clear the fault; empty otherwise.
        detail: what was found at rest after the fault; takes the place of its text once.
        disk_trouble: returns why the disk takes nothing; empty while it does.
        waits_for: what the crawler waits for; empty while it waits for nothing.
        why: why it was stopped, in words.
    """

    def __init__(
        self,
        motion: MotionTable,
        drive: Drive,
        guards: Guards,
        host: HostWatch,
        say: Callable[[str], None],
        *,
        clock: Callable[[], int] = time.monotonic_ns,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._motion, self._drive, self._guards, self._say = motion, drive, guards, say
        self._host, self._clock, self._sleep = host, clock, sleep
        self._resumptions = motion.retry.resumptions
        self._recoveries = motion.guard.recoveries
        self._person = asyncio.Event()
        self.hopeless = self.detail = self.why = ""
        self.waits_for = WaitsFor.NOTHING
        self.disk_trouble: Callable[[], str] = str

    @property
    def _over(self) -> bool:
        return self._drive.machine.state is State.ENDED

    def may_resume(self) -> bool:
        """Take one of the resumptions; return whether there was one."""
        self._resumptions -= 1
        return self._resumptions >= 0

    def go_on(self, by: str) -> str:
        """A person lets it go on; return what was done, or why not."""
        if self._drive.machine.state not in (State.STOPPED, State.FAULTED):
            return f"refused: it is {self._drive.machine.state}"
        self._person.set()
        return f"continuing, by {by}"

    async def ready(self) -> None:
        """Wait for all ports, and for the dead man's first sign of life."""
        patience = self._motion.guard.port_patience / 1e9
        limit = time.monotonic() + patience
        while not (self._guards.all_open and self._drive.is_open):
            if time.monotonic() > limit:
                text = "the machine's own port is not open"
                if not self._guards.all_open:
                    text = "a device's port is not open"
                self._drive.trouble(Event.PORT_LOST, f"{text} after {patience:g} s")
                break
            await asyncio.sleep(_TURN_SECONDS)
        if not await self._drive.opened(patience):
            self._drive.trouble(Event.PORT_LOST, "the machine's own port takes no command")
        announced = False
        while self._guards.heartbeat_overdue(time.monotonic_ns()) is not None:
            if self._drive.machine.state is not State.DISARMED:
                return
            if not announced:
                self._say("waiting for the dead man: 'alive' commands")
                announced = True
            with self._waiting(WaitsFor.DEAD_MAN):
                await asyncio.sleep(_TURN_SECONDS)

    @contextlib.contextmanager
    def _waiting(self, what: WaitsFor) -> Iterator[None]:
        """Show what is waited for meanwhile."""
        self.waits_for = what
        try:
            yield
        finally:
            self.waits_for = WaitsFor.NOTHING

    async def after(
        self,
        machine: CrawlStates,
        *,
        waits: bool = False,
        at_rest: Callable[[], None] | None = None,
    ) -> str | None:
        """See the machine to rest and return why the run ends; None if it goes on.

        Args:
            machine: what stopped it.
            waits: a person decides in any case, whatever the station file grants.
            at_rest: called once it rests.
        """
        self._person.clear()
        await self._drive.rest()
        if self._over:
            return "stopped"
        if at_rest is not None:
            at_rest()
        cause, text = machine.cause, machine.text
        text, self.detail = self.detail or text, ""
        why = self.why = f"stopped: {cause}: {text}" if text else f"stopped: {cause}"
        resumes = not waits and self._resumes_by_itself(cause)
        if resumes and cause is Event.HOST_SLOW:
            self._say(f"{why}; waiting for the host")
            with self._waiting(WaitsFor.HOST):
                is_back = await self._host_back()
            if not is_back:
                why, resumes = f"{why}; it stays too slow", False
        if cause is Event.DISK and self.disk_trouble():
            # Also where the run ends then: what waits in memory is written first.
            self._say(f"{why}; waiting for the disk")
            with self._waiting(WaitsFor.DISK):
                while self.disk_trouble() and not self._over:
                    await self._sleep(_TURN_SECONDS)
        if resumes:
            self._say(f"{why}; continuing by itself")
            with self._waiting(WaitsFor.PORTS):
                await self._ports_back()
        elif waits or self._motion.guard.when_stopped == "wait":
            self._say(f"{why}; waiting for a person at this machine")
            with self._waiting(WaitsFor.PERSON):
                while not self._person.is_set() and not self._over:  # noqa: ASYNC110
                    await asyncio.sleep(_TURN_SECONDS)
            self.hopeless = ""
        else:
            return why
        if self._over:
            return "stopped"
        machine.take(Event.CLEARED)
        return None

    def _resumes_by_itself(self, cause: Event | None) -> bool:
        if self.hopeless:
            return False
        if cause is Event.UNANSWERED:
            return self.may_resume()
        if cause not in _RECOVERABLE or self._recoveries <= 0:
            return False
        self._recoveries -= 1
        return True

    async def _ports_back(self) -> None:
        """Wait for lost ports, at most as long as the station file has patience."""
        limit = time.monotonic() + self._motion.guard.port_patience / 1e9
        while time.monotonic() < limit and not self._over:
            if self._guards.all_open and self._drive.is_open:
                return
            await asyncio.sleep(_TURN_SECONDS)

    async def _host_back(self) -> bool:
        """Wait until this machine keeps up again; return whether it does."""
        limit = self._clock() + self._motion.guard.port_patience
        while not self._over:
            now = self._clock()
            if self._host.steady_for(now) >= _STEADY_SECONDS:
                return True
            if now > limit:
                return False
            await self._sleep(_TURN_SECONDS)
        return True
