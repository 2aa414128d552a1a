"""The account of a machine's commands: what waits, what is under way, how each ended.

No input or output, no clock and no lock: times are passed in, and one thread at a time may call.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from swathe_drivers.motion.abc import MotionCodec
from swathe_drivers.motion.commands import CommandKind, Frame
from swathe_drivers.motion.events import EventKind, MotionEvent
from swathe_drivers.motion.receipts import CommandOutcome, Endings, Flight, Job, Work
from swathe_drivers.transport import WRITE_TIMEOUT

SETTLE_S: Final = 0.5
"""After a missing acknowledgement nothing is sent for this long at most, so that one which is
only late is not taken for that of the next command."""

STOP_TRIES: Final = 3
"""How often a stop that the machine should acknowledge is sent."""


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


class Account:
    """Commands in their turn.

    A command that fails takes those behind it with it. Between a stop, an alarm or a lost port
    and the next acknowledged arming, `armed` is False.
    """

    def __init__(self, codec: MotionCodec) -> None:
        self._codec = codec
        self._queue: deque[Job] = deque()
        self._flights: dict[int, Flight] = {}
        self._sending: Job | None = None
        self._quiet_until = 0
        self.armed = False
        self.generation = 0
        """Changes with each stop and loss: frames of an older one must not be sent."""

    @property
    def busy(self) -> int:
        """Commands that have not ended yet, sent or not."""
        return len(self._jobs())

    def submit(self, job: Job) -> None:
        """Put a command at the end."""
        self._queue.append(job)

    def next(self, now: int, endings: Endings) -> Work | None:
        """Take the next frame into the account, if one may be sent now."""
        while self._queue and now >= self._quiet_until:
            job = self._queue[0]
            frames = job.command.frames
            if not frames:
                # A command without frames is acknowledged as soon as its turn has come.
                if self._flights:
                    return None
                self._queue.popleft()
                self._finish(job, endings)
                continue
            waiting = any(flight.job is job for flight in self._flights.values())
            if waiting or len(self._flights) >= self._codec.in_flight:
                return None
            frame = frames[job.next]
            job.next += 1
            if job.next == len(frames):
                self._queue.popleft()
            self._sending = job
            number = self._codec.sent(frame)
            if frame.awaits:
                deadline = now + _ns(frame.timeout_s + WRITE_TIMEOUT)
                self._flights[number] = Flight(job, frame, deadline)
            return Work(job, frame, number, self.generation)
        return None

    def written(self, work: Work, sent: int, problem: str, endings: Endings) -> None:
        """A frame was written at `sent`, or was not because of a problem."""
        self._sending = None
        job, frame = work.job, work.frame
        if self.generation != work.generation:
            return
        if problem:
            self._flights.pop(work.number, None)
            self._fail(job, endings, CommandOutcome.LOST, problem)
        elif work.number in self._flights:
            self._flights[work.number].deadline = sent + _ns(frame.timeout_s)
        elif not frame.awaits and job.next == len(job.command.frames):
            self._finish(job, endings)

    def stop_sent(self, frame: Frame, now: int, tries: int) -> None:
        """A stop is about to be sent for the n-th time."""
        number = self._codec.sent(frame)
        if frame.awaits:
            self._flights[number] = Flight(None, frame, now + _ns(frame.timeout_s), tries)

    def expired(self, now: int, endings: Endings, events: list[MotionEvent]) -> Flight | None:
        """Give up frames whose time is over; return a stop that is to be sent again."""
        for number, flight in list(self._flights.items()):
            if flight.deadline > now:
                continue
            del self._flights[number]
            if flight.job is not None:
                timeout = flight.frame.timeout_s
                text = f"no acknowledgement of {flight.frame.data!r} in {timeout:g} s"
                self._fail(flight.job, endings, CommandOutcome.UNANSWERED, text)
                self._quiet_until = now + _ns(min(timeout, SETTLE_S))
                return None
            self._codec.forget()  # the next acknowledgement is that of the repeated stop
            if flight.tries < STOP_TRIES:
                return flight
            text = f"the stop was sent {flight.tries} times and never acknowledged"
            events.append(MotionEvent(kind=EventKind.REFUSED, time=now, number=number, text=text))
        return None

    def patience(self, now: int) -> float | None:
        """Seconds until something is due by itself; None if nothing is."""
        times = [flight.deadline for flight in self._flights.values()]
        if self._queue and self._quiet_until > now:
            times.append(self._quiet_until)
        return max(0.0, (min(times) - now) / 1e9) if times else None

    def take(self, event: MotionEvent, now: int, endings: Endings) -> None:
        """Change the account by what the machine reported."""
        if event.kind is EventKind.ALARM or (event.kind is EventKind.RESTARTED and self.armed):
            self.drop(endings, CommandOutcome.ALARM, event.text)
        elif event.kind is EventKind.BUSY:
            for flight in self._flights.values():
                flight.deadline = now + _ns(flight.frame.timeout_s)
        elif event.kind in (EventKind.ACKNOWLEDGED, EventKind.REFUSED):
            if event.number is None or event.number not in self._flights:
                return
            job = self._flights.pop(event.number).job
            if job is None:
                return
            if event.kind is EventKind.REFUSED:
                self._fail(job, endings, CommandOutcome.REFUSED, event.text)
            elif job.next == len(job.command.frames):
                self._finish(job, endings)

    def drop(self, endings: Endings, outcome: CommandOutcome, text: str) -> None:
        """End all commands and disarm."""
        self.generation += 1
        self.armed = False
        for job in self._jobs():
            endings.add(job, outcome, text)
        self._queue.clear()
        self._flights.clear()
        self._codec.forget()

    def _finish(self, job: Job, endings: Endings) -> None:
        if job.command.kind is CommandKind.ARM:
            self.armed = True
        elif job.command.kind is CommandKind.DISARM:
            self.armed = False
        endings.add(job, CommandOutcome.ACKNOWLEDGED)

    def _fail(self, job: Job, endings: Endings, outcome: CommandOutcome, text: str) -> None:
        """End a command, and those behind it with it."""
        endings.add(job, outcome, text)
        for other in self._jobs():
            behind = CommandOutcome.DISCARDED if other in self._queue else CommandOutcome.UNANSWERED
            endings.add(other, behind, f"behind a command that failed: {text}")
        self._queue.clear()
        self._flights = {n: flight for n, flight in self._flights.items() if flight.job is None}
        self._codec.forget()

    def _jobs(self) -> list[Job]:
        """The commands that have not ended, in their order."""
        jobs = [flight.job for flight in self._flights.values()] + [self._sending, *self._queue]
        return list(dict.fromkeys(job for job in jobs if job is not None and not job.ended))
