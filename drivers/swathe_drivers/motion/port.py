"""Sends commands to a machine in turn, and a stop out of turn.

Two threads: one reads (see `PortReader`), one sends. No lock is held while a port is waited
for, so that a stop from any other thread is never behind a write that is pending.
"""

import contextlib
import os
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Final

from swathe_drivers.backoff import Backoff
from swathe_drivers.errors import DriverUsageError, PortError
from swathe_drivers.lifecycle import Starting
from swathe_drivers.motion.abc import MotionDriver
from swathe_drivers.motion.account import Account
from swathe_drivers.motion.commands import Command, CommandKind
from swathe_drivers.motion.events import MotionEvent
from swathe_drivers.motion.receipts import (
    CommandOutcome,
    Endings,
    Flight,
    Job,
    OnFrameSent,
    Receipt,
    Work,
)
from swathe_drivers.motion.stop_guard import StopGuard
from swathe_drivers.port import OnChunk, OnState, PortReader, PortState
from swathe_drivers.transport import WRITE_TIMEOUT, PortSettings

_RETRY_S: Final = 0.002
_OWED_RETRY_S: Final = 0.05
_NEEDS_ARM: Final = (CommandKind.MOVE, CommandKind.HOME)


class MotionPort(Starting):
    """The port of a machine, from `start` (or `with`) to `close`.

    Moves and homing are refused until `arm` was acknowledged, and again after a stop, an
    alarm, a lost port or `disarm`. A command that fails takes those behind it with it. A port
    that is lost while the machine is armed owes it a stop, which is the first thing that is
    sent when the port is back. `close` stops an armed machine first.

    Callbacks run in the threads of this port, or in the one that called `stop`; they may call
    its methods but `close`. Times given to `on_sent` and to events are in the order of what
    happened, the calls may swap. Futures can be awaited with `asyncio.wrap_future`.

    Example:
        >>> with MotionPort("crawler", settings, driver, on_event=take) as port:
        ...     port.wait_open(5)
        ...     port.arm().result(5)
        ...     port.move({"scan": 200.0}, speed=50.0).result(5)
    """

    def __init__(
        self,
        name: str,
        settings: PortSettings,
        driver: MotionDriver,
        *,
        on_event: Callable[[MotionEvent], None],
        on_sent: OnFrameSent | None = None,
        on_chunk: OnChunk | None = None,
        on_state: OnState | None = None,
        backoff: Backoff | None = None,
    ) -> None:
        self.name: Final = name
        self.codec: Final = driver.codec(ns_per_byte=settings.ns_per_byte)
        self._on_event, self._on_sent = on_event, on_sent
        self._on_chunk, self._on_state = on_chunk, on_state
        self._reader = PortReader(
            name, settings, on_chunk=self._take, on_state=self._enter, backoff=backoff
        )
        self._thread: threading.Thread | None = None
        # Guards codec and account and all below but `_half`; held for moments only.
        self._wake = threading.Condition()
        self._account = Account(self.codec)
        self._owes_stop = self._closing = False
        self._open = self._ready = False  # ready: open, and no stop is owed
        self._stopping = 0
        self._writing = threading.Lock()  # held while bytes are handed over, never while waiting
        self._half = False  # a frame is on the line in part

    # Life ---------------------------------------------------------------------------

    @property
    def armed(self) -> bool:
        """The machine may be moved."""
        return self._account.armed

    @property
    def state(self) -> PortState:
        """What the port is doing."""
        return self._reader.state

    @property
    def busy(self) -> int:
        """Commands that have not ended yet, sent or not."""
        with self._wake:
            return self._account.busy

    def start(self) -> None:
        """Begin to open the port; returns at once.

        Raises:
            DriverUsageError: it is started already; close it first.
        """
        self._reader.start()
        self._closing = False
        self._thread = threading.Thread(
            target=self._run, name=f"motion[{self.name}].send", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Stop an armed machine, then close the port; harmless when not started or twice."""
        if self.armed:
            with contextlib.suppress(PortError):  # it can't be reached; nothing more to be done
                self.stop()
        with self._wake:
            self._closing = True
            self._wake.notify_all()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._reader.close()

    def wait_open(self, timeout: float) -> None:
        """Wait until the port is open.

        Raises:
            PortError: it isn't within `timeout` seconds; with the cause. It is tried further.
        """
        with self._wake:
            if self._wake.wait_for(lambda: self._ready, timeout):
                return
        raise self._reader.open_error or PortError(
            self._reader.settings.url, f"is not open after {timeout:g} s; is its port started?"
        )

    # Commands -----------------------------------------------------------------------

    def arm(self) -> Future[Receipt]:
        """Make the machine ready to move.

        Raises:
            PortError: the port is not open; wait until it is.
        """
        return self._submit(self.codec.arm)

    def disarm(self) -> Future[Receipt]:
        """Drives off; no stop, so wait for the end of a move first."""
        return self._submit(self.codec.disarm)

    def move(
        self, target: Mapping[str, float], *, speed: float, acceleration: float | None = None
    ) -> Future[Receipt]:
        """Drive in a straight line; see `MotionCodec.move`.

        Raises:
            LimitError: a limit would be passed; nothing is sent, correct the move.
            DriverUsageError: not armed, or the machine can't do such a move.
            PortError: the port is not open; wait until it is, and arm again.
        """
        return self._submit(lambda: self.codec.move(target, speed=speed, acceleration=acceleration))

    def home(self, axis: str) -> Future[Receipt]:
        """Find the reference of an axis; raises as `move`."""
        return self._submit(lambda: self.codec.home(axis))

    def query_position(self) -> Future[Receipt]:
        """Ask where the motors are; the answer is an event.

        Raises:
            DriverUsageError: the machine can't tell.
            PortError: the port is not open; wait until it is.
        """
        return self._submit(self.codec.query_position)

    def _submit(self, make: Callable[[], Command | None]) -> Future[Receipt]:
        with self._wake:
            command = make()
            if command is None:
                message = f"the settings of {self.name!r} have no query of the position"
                raise DriverUsageError(message)
            if not self._ready:
                raise PortError(self._reader.settings.url, f"is not open, no {command.text}")
            if command.kind in _NEEDS_ARM and (not self.armed or self._stopping):
                message = f"{self.name!r} is not armed; arm it before: {command.text}"
                raise DriverUsageError(message)
            job = Job(command)
            self._account.submit(job)
            self._wake.notify_all()
        return job.future

    def stop(self) -> None:
        """Stop the machine at once, out of turn; from any thread.

        All commands end as `STOPPED`. What still waits in the port's buffer is taken back
        where that is possible. A stop that the machine should acknowledge is repeated.

        Raises:
            PortError: it could not be sent; the port owes it as soon as it is back.
            DriverUsageError: not started.
        """
        endings = Endings()
        with self._wake:
            self._stopping += 1
            self._account.drop(endings, CommandOutcome.STOPPED, "a stop came first")
        try:
            self._send_stop(1)
        except PortError:
            with self._wake:
                self._owes_stop, self._ready = True, False
            raise
        finally:
            with self._wake:
                self._stopping -= 1
                self._wake.notify_all()
            endings.resolve(time.monotonic_ns())

    def _send_stop(self, tries: int) -> None:
        with self._writing:
            half = self._reader.discard_output() or self._half
            frame = self.codec.stop(half_sent=half)
            with self._wake:
                self._account.stop_sent(frame, time.monotonic_ns(), tries)
                self._wake.notify_all()
            self._push_stop(frame.data)
            self._half = False
            sent = time.monotonic_ns()
        if self._on_sent is not None:
            self._on_sent(self.name, sent, frame.data)

    def _push_stop(self, data: bytes) -> None:
        limit = time.monotonic() + WRITE_TIMEOUT
        rest = data
        while rest:
            taken = self._reader.write_some(rest)
            rest = rest[taken:]
            if taken:
                continue
            if time.monotonic() > limit:
                raise PortError(
                    self._reader.settings.url,
                    "takes no bytes, not even a stop; use the machine's own stop",
                )
            if self._reader.discard_output():
                rest = data
            time.sleep(_RETRY_S)

    def entrust(self, guard: StopGuard) -> bool:
        """Give a process of its own the open port; return whether it can stop the machine there."""
        descriptor = self._reader.duplicate()
        if descriptor is None:
            return False
        try:
            # Behind whatever part of a command is on the line by then.
            guard.give_port(descriptor, self.codec.stop(half_sent=True).data)
        finally:
            os.close(descriptor)
        return True

    # The sending thread ---------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._closing:
                self._turn()
        except BaseException:
            self._panic()
            raise
        finally:
            endings = Endings()
            with self._wake:
                self._account.drop(endings, CommandOutcome.LOST, "the port was closed")
                self._ready = False
            endings.resolve(time.monotonic_ns())

    def _turn(self) -> None:
        """Do what is due, or wait until something is."""
        endings = Endings()
        events: list[MotionEvent] = []
        repeat: Flight | None = None
        work: Work | None = None
        with self._wake:
            now = time.monotonic_ns()
            owes = self._owes_stop and self._open
            if not owes:
                repeat = self._account.expired(now, endings, events)
                if repeat is None and self._ready and not self._stopping:
                    work = self._account.next(now, endings)
            if not (owes or endings.found or events or repeat or work or self._closing):
                self._wake.wait(self._account.patience(now))
        for event in events:
            self._on_event(event)
        endings.resolve(time.monotonic_ns())
        if owes:
            self._pay_stop()
        elif repeat is not None:
            with contextlib.suppress(PortError):  # the loss of the port owes the stop again
                self._send_stop(repeat.tries + 1)
        elif work is not None:
            self._send(work)

    def _pay_stop(self) -> None:
        try:
            self._send_stop(1)
        except PortError:  # lost again, or blocked; it is still owed
            time.sleep(_OWED_RETRY_S)
            return
        with self._wake:
            self._owes_stop = False
            self._ready = self._open
            self._wake.notify_all()

    def _panic(self) -> None:
        """A callback failed, nobody watches any more: stop the machine."""
        with contextlib.suppress(PortError, DriverUsageError):
            if self.armed:
                self.stop()

    def _send(self, work: Work) -> None:
        """Hand a frame over piece by piece; a stop may come between two pieces."""
        data = rest = work.frame.data
        sent = time.monotonic_ns()
        limit = time.monotonic() + WRITE_TIMEOUT
        problem = ""
        blocked = False
        while rest and not problem:
            with self._writing:
                if self._account.generation != work.generation:
                    break
                try:
                    rest = rest[self._reader.write_some(rest) :]
                except PortError as error:
                    problem = error.reason
                self._half = 0 < len(rest) < len(data)
                sent = time.monotonic_ns()
            if rest and not problem:
                if time.monotonic() > limit:
                    problem, blocked = "takes no bytes; check flow control and the cable", True
                else:
                    time.sleep(_RETRY_S)
        endings = Endings()
        with self._wake:
            self._account.written(work, sent, problem, endings)
            if blocked:  # perhaps in the middle of a line; only a stop may come behind that
                self._account.drop(endings, CommandOutcome.LOST, problem)
                self._owes_stop, self._ready = True, False
        handed = data[: len(data) - len(rest)]
        if handed and self._on_sent is not None:
            self._on_sent(self.name, sent, handed)
        endings.resolve(sent)

    # The reading thread ------------------------------------------------------------------

    def _take(self, name: str, time_ns: int, data: bytes) -> None:
        try:
            if self._on_chunk is not None:
                self._on_chunk(name, time_ns, data)
            endings = Endings()
            with self._wake:
                events = self.codec.feed(data, time_ns)
                for event in events:
                    self._account.take(event, time.monotonic_ns(), endings)
                self._wake.notify_all()
            # Whoever waits for a command finds what its answer reported.
            for event in events:
                self._on_event(event)
            endings.resolve(time_ns)
        except BaseException:
            self._panic()
            raise

    def _enter(self, name: str, time_ns: int, state: PortState, detail: str) -> None:
        endings = Endings()
        events: list[MotionEvent] = []
        with self._wake:
            if state is PortState.OPEN:
                events = self.codec.reset(self._reader.bytes_read)
                self._open, self._ready = True, not self._owes_stop
                self._half = False
            elif state in (PortState.LOST, PortState.CLOSED):
                self._owes_stop |= self.armed and state is PortState.LOST
                self._open = self._ready = False
                self._account.drop(endings, CommandOutcome.LOST, detail)
            self._wake.notify_all()
        endings.resolve(time_ns)
        if self._on_state is not None:
            self._on_state(name, time_ns, state, detail)
        for event in events:
            self._on_event(event)
