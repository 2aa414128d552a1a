"""The machine's port under the rule of the state machine: one command at a time, stops at once."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from typing import NoReturn

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.errors import SwatheError
from swathe.journal import Mark, MarkKind, Sent
from swathe.live.crawl.evidence import NO_EVIDENCE, Evidence
from swathe.live.crawl.guarding import Guarding
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.machine_entries import MachineEntries
from swathe.live.crawl.machine_report import MachineReport, receipt_text
from swathe.live.crawl.restarts import halt_text
from swathe.motion import Action, CrawlStates, Event, State
from swathe.station import MOTION_PORT, MotionTable, motion_driver
from swathe_drivers import DriverUsageError, PortError, PortState
from swathe_drivers.errors import LimitError
from swathe_drivers.motion import (
    CommandOutcome,
    EventKind,
    MotionEvent,
    MotionPort,
    Receipt,
)

__all__ = ["REACHED_MM", "Drive", "HaltedError"]

_TURN_SECONDS = 0.005
REACHED_MM = 0.1
"""A machine rounds its targets; nearer than this it has arrived."""

# A machine that reports rest elsewhere gets so long to start, or to correct its report.
_GRACE_NS = 1_000_000_000
_REST_SECONDS = 5.0
_SETTLE_SECONDS = 0.1
_MOST_SENDINGS = 5
_ACTIVE = (State.DISARMED, State.ARMED, State.HOMING, State.MOVING)
_NO_ANSWER = (CommandOutcome.UNANSWERED, CommandOutcome.DISCARDED)
# A time-out of which this machine missed more than this share proves nothing of the crawler.
_HOST_SHARE = 0.2


class HaltedError(SwatheError):
    """The motion was halted; the state machine has the cause. Clear the cause before anything moves."""


class Drive:
    """Sends the commands of a run.

    Args:
        motion: the station's table.
        host: knows when this machine was held up.
        on_change: called with each change of the state, in the loop's thread.

    Attributes:
        machine: decides what may be done.
        entries: what was sent and answered, for the journal; in its order.
        report: newest report of the machine; None before the first.
        state_since: host time at which the state was entered, ns.
        confirmed_late: commands carried out whose acknowledgement was lost.
        was_armed: it was armed in this run.
        driven: axes that are moved by the homing or move that was asked for last.
        rests: after the last stop it was seen to rest.
        target: of the move that was asked for last, mm by axis.
        evidence, caused_at: what the fault that stopped it rests on, and its host time, ns.
    """

    def __init__(
        self,
        motion: MotionTable,
        host: HostWatch,
        on_change: Callable[[Event, str, State], None] | None = None,
        units: DisplayUnits = MILLIMETRES,
    ) -> None:
        self._units, self._host = units, host
        self._command_at = self.state_since = time.monotonic_ns()
        self.machine = CrawlStates(self._changed)
        self.entries = MachineEntries()
        self.report: MachineReport | None = None
        self.confirmed_late = 0
        self.was_armed = False
        self.driven: frozenset[str] = frozenset()
        self.target: dict[str, float] = {}
        self.rests = True
        self.evidence, self.caused_at = NO_EVIDENCE, 0
        self._motion = motion
        self._on_change = on_change
        self._tells_motion = False
        self._still: MachineReport | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._reader: asyncio.Task[None] | None = None
        self._stopped_at = self._asked_at = 0
        self._port = MotionPort(
            MOTION_PORT,
            motion.port_settings(),
            motion_driver(motion),
            on_event=self._take,
            on_sent=lambda name, at, data: self.entries.append(Sent(at, name, data)),
            on_chunk=self.entries.put_chunk,
            on_state=self._port_changed,
        )
        self._guarding = Guarding(self._port, self.entries.append)

    def start(self) -> None:
        """Open the port and begin to ask for the position; call in the loop."""
        self._loop = asyncio.get_running_loop()
        self._guarding.start()
        self._port.start()
        self._reader = self._loop.create_task(self._read_back(), name="crawl.read_back")

    def close(self) -> None:
        """Stop a machine that is armed, and close the port; harmless twice."""
        if self._reader is not None:
            self._reader.cancel()
        if self.machine.state is not State.ENDED and self._loop is not None:
            self.trouble(Event.END, "the run is over")
        self._port.close()
        self._guarding.close()

    async def rest_and_disarm(self) -> None:
        """Wait until it rests after a stop, and switch its drives off; never fails."""
        await self.rest()
        with contextlib.suppress(PortError, DriverUsageError, TimeoutError):
            async with asyncio.timeout(_REST_SECONDS):
                await asyncio.wrap_future(self._port.disarm())

    @property
    def is_open(self) -> bool:
        """Whether the port is open."""
        return self._port.state is PortState.OPEN

    def trouble(self, event: Event, text: str, evidence: Evidence = NO_EVIDENCE) -> None:
        """Take an event that may stop the motion; the stop is sent before this returns.

        Call in the loop's thread.
        """
        before = self.machine.cause
        if self.machine.take(event, text) is Action.STOP:
            self.stop_now()
        if self.machine.cause is not before:
            self.evidence, self.caused_at = evidence, time.monotonic_ns()

    def stop_now(self) -> None:
        """Send a stop out of turn, from any thread; what cannot be sent now is owed by the port."""
        self._stopped_at = time.monotonic_ns()
        with contextlib.suppress(PortError, DriverUsageError):
            self._port.stop()

    async def rest(self) -> None:
        """Wait until the machine rests after a stop, as far as that is known."""
        limit = time.monotonic() + _REST_SECONDS
        self.rests = False
        while time.monotonic() < limit and not self.rests:
            if not self.is_open and self.machine.state is State.ENDED:
                break
            await asyncio.sleep(_TURN_SECONDS)
            report = self.report
            self.rests = (
                report is not None and report.time > self._stopped_at and self._is_still(report)
            )
        self.machine.take(Event.AT_REST, "" if self.rests else "not known to be at rest")

    async def opened(self, seconds: float) -> bool:
        """Wait for the port; return whether it is open, and it owes no stop."""
        try:
            await asyncio.to_thread(self._port.wait_open, seconds)
        except PortError:
            return False
        return True

    async def arm(self) -> None:
        """Have the machine arm itself; a person has confirmed, and the station file allows it.

        Raises:
            HaltedError: it did not, or it moves already.
        """
        await self._standing()
        receipt = await self._receipt(self._port.arm)
        if receipt is None or receipt.outcome is not CommandOutcome.ACKNOWLEDGED:
            self._refused(receipt, f"it could not be armed: {receipt_text(receipt)}")
        self._need(State.DISARMED)
        self.was_armed = True
        self.machine.take(Event.ARMED)
        await self.fresh()

    async def _standing(self) -> None:
        """See that it rests: a command from before a crash may still be under way."""
        self._command_at = time.monotonic_ns()
        limit = time.monotonic() + _REST_SECONDS
        while (report := self.report) is None or not self._is_still(report):
            self._need(State.DISARMED)
            if report is not None and report.moving:
                self._fail("it moves though nothing was asked of it")
            if time.monotonic() > limit:
                self._time_out("it reports no position at rest")
            await asyncio.sleep(_TURN_SECONDS)
        self._need(State.DISARMED)

    async def home(self, axis: str) -> None:
        """Find the reference of an axis.

        Raises:
            HaltedError: something stopped it; the state machine has the cause.
        """
        self._need(State.ARMED)
        self._command_at = time.monotonic_ns()
        self.driven, self.target = frozenset({axis}), {}
        self.machine.take(Event.HOME, axis)
        receipt = await self._receipt(lambda: self._port.home(axis))
        if receipt is None or receipt.outcome is not CommandOutcome.ACKNOWLEDGED:
            self._refused(receipt, f"homing of {axis}: {receipt_text(receipt)}")
        begun = time.monotonic_ns()
        await self._until(
            lambda report: report.time > begun and self._is_still(report), 600.0, axis
        )
        self.machine.take(Event.HOMED, axis)

    async def go(self, target: dict[str, float], *, speed: float, seconds: float) -> None:
        """Drive straight to a position and wait until the machine reports that it is there.

        Args:
            target: mm by axis.
            speed: along the way, mm/s.
            seconds: that the move takes by the plan.

        Raises:
            HaltedError: something stopped it; the state machine has the cause.
        """
        self._need(State.ARMED)
        self._command_at = time.monotonic_ns()
        words = self._text(target)
        self.driven, self.target = frozenset(target), target
        self.machine.take(Event.MOVE, f"to {words} at {self._units.speed_text(speed)}")
        receipt: Receipt | None = None
        for _ in range(_MOST_SENDINGS):
            receipt = await self._receipt(lambda: self._port.move(target, speed=speed))
            if receipt is None or receipt.outcome is not CommandOutcome.DISCARDED:
                break
            # Nothing of it was sent, as a question before it had no answer.
            await asyncio.sleep(_SETTLE_SECONDS)
        if receipt is None or receipt.outcome not in (
            CommandOutcome.ACKNOWLEDGED,
            CommandOutcome.UNANSWERED,
        ):
            self._refused(receipt, f"move to {words}: {receipt_text(receipt)}")
        since = time.monotonic_ns()

        def there(report: MachineReport) -> bool:
            if all(abs(report.at(name) - place) <= REACHED_MM for name, place in target.items()):
                return self._is_still(report)
            if report.time > since + _GRACE_NS and self._is_still(report):
                where = self._text({name: report.at(name) for name in target})
                self._fail(f"it rests at {where} instead of {words} ({receipt_text(receipt)})")
            return False

        await self._until(there, 5.0 + 2 * seconds, words)
        if receipt.outcome is CommandOutcome.UNANSWERED:
            self.confirmed_late += 1
        self.machine.take(Event.REACHED)

    def _text(self, places: dict[str, float]) -> str:
        return ", ".join(f"{name} {self._units.place_text(at)}" for name, at in places.items())

    async def fresh(self) -> MachineReport:
        """Wait for a position that is reported from now on.

        Raises:
            HaltedError: none came.
        """
        begun, limit = time.monotonic_ns(), time.monotonic() + _REST_SECONDS
        self._command_at = begun
        while (report := self.report) is None or report.time <= begun:
            if self.machine.state is not State.ARMED:
                raise HaltedError
            if time.monotonic() > limit:
                self._time_out("it does not report its position")
            await asyncio.sleep(_TURN_SECONDS)
        return report

    def _need(self, state: State) -> None:
        if self.machine.state is not state:
            raise HaltedError(f"{self.machine.state}: {self.machine.text}")

    def _fail(self, text: str) -> NoReturn:
        """Stop, unless something did already, and leave."""
        if self.machine.state in _ACTIVE:
            self.trouble(Event.UNANSWERED, text)
        raise HaltedError(text)

    def _refused(self, receipt: Receipt | None, text: str) -> NoReturn:
        """Stop as `_fail` on a refusal, as `_time_out` without an answer."""
        if receipt is not None and receipt.outcome in _NO_ANSWER:
            self._time_out(text)
        self._fail(text)

    def _time_out(self, text: str) -> NoReturn:
        """Stop as `_fail`; the machine is blamed only if this one ran since the last command."""
        now = time.monotonic_ns()
        held_up = self._host.held_up(self._command_at, now)
        if self.machine.state in _ACTIVE and held_up > _HOST_SHARE * (now - self._command_at):
            words = self._host.words(self._command_at, now)
            self.trouble(Event.HOST_SLOW, f"{words}; {text}")
            raise HaltedError(text)
        self._fail(text)

    async def _receipt(self, send: Callable[[], Future[Receipt]]) -> Receipt | None:
        """Send a command and wait for its end; None if it could not be sent."""
        try:
            return await asyncio.wrap_future(send())
        except LimitError as error:
            self.trouble(Event.LIMIT_REFUSED, str(error))
        except (PortError, DriverUsageError) as error:
            await asyncio.sleep(0)  # reports of the port's threads come first
            if self.machine.state in _ACTIVE:
                self.trouble(Event.UNANSWERED, str(error))
        return None

    async def _until(
        self, there: Callable[[MachineReport], bool], seconds: float, words: str
    ) -> None:
        limit = time.monotonic() + seconds
        while True:
            if not self.machine.may_move:
                raise HaltedError(self.machine.text)
            if (report := self.report) is not None and there(report):
                return
            if time.monotonic() > limit:
                self._time_out(f"{words}: not reached in {seconds:.0f} s")
            await asyncio.sleep(_TURN_SECONDS)

    def _is_still(self, report: MachineReport) -> bool:
        """Return whether the machine rests; where it never reports that, two equal positions show it."""
        if self._tells_motion:
            return report.moving is False
        before, self._still = self._still, report
        if before is None or before.time == report.time:
            self._still = before or report
            return False
        apart = max(abs(a - b) for a, b in zip(before.place, report.place, strict=True))
        return apart < REACHED_MM / 10

    async def _read_back(self) -> None:
        """Ask for the position again and again, one question at a time."""
        pause = self._motion.guard.read_back / 1e9
        asked: Future[Receipt] | None = None
        while True:
            if asked is None or asked.done():
                asked = None
                self._asked_at = time.monotonic_ns()
                with contextlib.suppress(PortError, DriverUsageError):
                    asked = self._port.query_position()
            await asyncio.sleep(pause)

    def _take(self, event: MotionEvent) -> None:
        if event.kind is EventKind.POSITION and "scan" in event.position:
            place = (event.position["scan"], event.position.get("index", 0.0))
            self.report = MachineReport(event.time, place, asked=min(self._asked_at, event.time))
        elif event.kind in (EventKind.MOVING, EventKind.IDLE) and self.report is not None:
            self._tells_motion = True
            self.report = replace(self.report, moving=event.kind is EventKind.MOVING)
        elif halt := halt_text(event, self.machine.state):
            self._later(Event.ALARM, halt)

    def _port_changed(self, name: str, at: int, state: PortState, detail: str) -> None:
        self.entries.put_change(name, at, str(state), detail)
        self._guarding.port_changed(state)
        if state is PortState.LOST:
            self._later(Event.PORT_LOST, f"the machine's own port: {detail}")

    def _later(self, event: Event, text: str) -> None:
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody moves any more
                self._loop.call_soon_threadsafe(self.trouble, event, text)

    def late(self, text: str) -> None:
        """Stop from the watching thread while the loop is held up; the loop takes the event later."""
        self.stop_now()
        self._later(Event.HOST_SLOW, text)

    def beat(self) -> None:
        """Show the process that guards the machine that the loop takes its turns; in the loop."""
        for fault in self._guarding.beat(moves=self.machine.may_move):
            self.trouble(Event.HOST_SLOW, fault)

    def _changed(self, event: Event, text: str, state: State) -> None:
        # Before a command goes out.
        self._guarding.expect(moves=self.machine.may_move)
        self.state_since = time.monotonic_ns()
        detail = {"state": str(state), "event": str(event), "text": text}
        self.entries.append(Mark(self.state_since, MarkKind.MOTION, detail))
        if self._on_change is not None:
            self._on_change(event, text, state)
