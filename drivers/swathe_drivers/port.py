"""Reads one port in a thread of its own and opens it again when it is lost.

The thread hands over every chunk at once with the time at which the read returned. It runs
until it is closed: a port that is missing, busy or unplugged is tried again and again with
growing delays. Only a capture in place of a port has an end; behind it the port is closed.

Where there is a schedule of requests, the same thread sends them between two reads, so that a request
never overtakes the answer to the one before.
"""

import os
import threading
import time
from collections.abc import Callable
from enum import StrEnum
from typing import Final, TypeVar

from swathe_drivers.backoff import Backoff
from swathe_drivers.capture import CaptureEndError
from swathe_drivers.errors import DriverUsageError, PortError
from swathe_drivers.failures import PORT_ERRORS, explain
from swathe_drivers.lifecycle import Starting
from swathe_drivers.talk.schedule import Schedule
from swathe_drivers.transport import READ_TIMEOUT, PortSettings, Transport, open_transport

_Result = TypeVar("_Result")

# So many bytes at once, and more may be waiting.
_MANY_BYTES: Final = 4000

STALL_NS: Final = 50_000_000
"""A chunk whose taker holds up the reading thread for longer counts as a stall, ns."""

OnChunk = Callable[[str, int, bytes], None]
"""Takes the reader's name, the time of arrival (monotonic, ns) and the bytes. May block."""


class PortState(StrEnum):
    """What a port is doing."""

    OPENING = "opening"
    OPEN = "open"
    LOST = "lost"
    CLOSED = "closed"


OnState = Callable[[str, int, PortState, str], None]
"""Takes the reader's name, the time (monotonic, ns), the state and a sentence that explains it."""

OnSent = Callable[[str, int, bytes, bool], None]
"""Takes the reader's name, the time (monotonic, ns), bytes that the schedule had sent, and False
when they are sent, or True when they are given up as a request without an answer."""


class PortReader(Starting):
    """Reads a port until it is closed.

    A context manager; `start` and `close` do the same. It can be started again after it was
    closed. What `schedule` holds is sent meanwhile, and passed to `on_sent`; a capture in place of a
    port is only read. All callbacks run in the reading thread, never at the same time. A taker of
    chunks that blocks delays only this port; `stalls` counts how often that happened.

    With `gather`, the port is read again so many seconds after bytes came, so that what arrives
    meanwhile comes as one chunk: less work, where the time of each arrival is not needed.

    Example:
        >>> with PortReader("gauge", settings, on_chunk=take, on_state=show):
        ...     run()
    """

    def __init__(
        self,
        name: str,
        settings: PortSettings,
        *,
        on_chunk: OnChunk,
        on_state: OnState,
        on_sent: OnSent | None = None,
        schedule: Schedule | None = None,
        backoff: Backoff | None = None,
        gather: float = 0.0,
    ) -> None:
        self.gather: Final = gather
        self.name: Final = name
        self.settings: Final = settings
        self._on_chunk = on_chunk
        self._on_state = on_state
        self._on_sent = on_sent
        self._schedule = None if settings.is_capture else schedule
        self._backoff = backoff if backoff is not None else Backoff()
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._changed = threading.Condition()
        self._state = PortState.CLOSED
        self._open_error: PortError | None = None
        self._lock = threading.Lock()  # held while writing and while the port is taken away
        self._transport: Transport | None = None
        self._stalls = 0
        self._opened = 0
        self._bytes_read = 0
        self._read_at: int | None = None
        self._ended = False  # a capture in place of a port, and there is no more of it

    @property
    def state(self) -> PortState:
        """What the port is doing now."""
        return self._state

    @property
    def open_error(self) -> PortError | None:
        """Why the port is not open; None while it is, and before the first try."""
        return self._open_error

    @property
    def stalls(self) -> int:
        """Chunks whose taker held up the thread for longer than `STALL_NS`."""
        return self._stalls

    @property
    def reconnects(self) -> int:
        """How often the port was opened again after it was lost."""
        return max(0, self._opened - 1)

    @property
    def read_at(self) -> int | None:
        """Host time at which the last read of the open port returned, ns; None while not open.

        A read waits a few ten milliseconds at most: a time long ago is that of a thread that was
        held up, by its taker or by the machine, and bytes may be waiting.
        """
        return self._read_at

    @property
    def bytes_read(self) -> int:
        """Bytes handed over since the start."""
        return self._bytes_read

    def start(self) -> None:
        """Begin to open and read the port; returns at once.

        Raises:
            DriverUsageError: it is started already; close it first.
        """
        if self._thread is not None:
            message = f"the reader of {self.name!r} is started already; close it first"
            raise DriverUsageError(message)
        self._stop = threading.Event()
        self._opened = self._bytes_read = self._stalls = 0
        self._open_error = None
        self._ended = False
        self._backoff.reset()
        self._thread = threading.Thread(
            target=self._run, args=(self._stop,), name=f"driver[{self.name}].read", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Close the port and wait for the thread to end; harmless when not started or twice.

        Called from a callback it returns at once, and the thread ends after that callback.
        """
        thread = self._thread
        self._stop.set()
        if thread is not None and thread is not threading.current_thread():
            thread.join()
            self._thread = None

    def wait_open(self, timeout: float) -> None:
        """Wait until the port is open.

        Raises:
            PortError: it isn't within `timeout` seconds; with the cause. The reader keeps trying,
                but for a capture that can't be read.
        """
        with self._changed:
            if self._changed.wait_for(
                lambda: self._state is PortState.OPEN or self._ended, timeout
            ) and not (self._ended and self._open_error):
                return
        raise self._open_error or PortError(
            self.settings.url, f"is not open after {timeout:g} s; is its reader started?"
        )

    def write(self, data: bytes) -> None:
        """Send bytes; may be called from any thread.

        Raises:
            PortError: the port is not open now, or does not take the bytes within a second.
                Try again once it is open.
            DriverUsageError: the reader is not started.
        """
        self._with_port(lambda transport: transport.write(data))

    def write_some(self, data: bytes) -> int:
        """Send the bytes that the port takes at once and return how many; from any thread.

        Raises:
            PortError, DriverUsageError: as `write`.
        """
        return self._with_port(lambda transport: transport.write_some(data))

    def discard_output(self) -> bool:
        """Take back what is not on the line yet; return whether there was any.

        Raises:
            PortError, DriverUsageError: as `write`.
        """
        return self._with_port(lambda transport: transport.discard_output())

    def duplicate(self) -> int | None:
        """Return a new descriptor of the open port, the caller's to close; None where it has none.

        Raises:
            PortError, DriverUsageError: as `write`.
        """

        def duplicated(transport: Transport) -> int | None:
            descriptor = transport.descriptor
            return None if descriptor is None else os.dup(descriptor)

        return self._with_port(duplicated)

    def _with_port(self, act: Callable[[Transport], _Result]) -> _Result:
        if self._thread is None:
            message = f"the reader of {self.name!r} is not started; start it before writing"
            raise DriverUsageError(message)
        with self._lock:
            if self._transport is None:
                raise PortError(self.settings.url, "is not open, nothing was written")
            try:
                return act(self._transport)
            except PORT_ERRORS as error:
                raise explain(self.settings.url, error) from error

    def _run(self, stop: threading.Event) -> None:
        reported = ""
        detail = "closed by the user"
        try:
            self._enter(PortState.OPENING, f"opening {self.settings.url}")
            while not stop.is_set():
                problem: PortError | None
                try:
                    transport = open_transport(self.settings)
                except PORT_ERRORS as error:
                    problem = explain(self.settings.url, error)
                else:
                    problem = self._serve(transport, stop)
                    reported = ""
                if problem is None:
                    break
                if self.settings.is_capture:  # a file that can't be read won't become readable
                    detail, self._open_error = problem.reason, problem
                    self._ended = True
                    break
                self._open_error = problem
                if problem.reason != reported:  # a port that stays away is reported once
                    reported = problem.reason
                    self._enter(PortState.LOST, problem.reason)
                stop.wait(self._backoff.next_delay())
        except CaptureEndError as end:
            detail = f"closed, {end}"
            self._ended = True
        except BaseException as error:
            detail = f"a callback failed: {type(error).__name__}: {error}"
            raise
        finally:
            self._enter(PortState.CLOSED, detail)

    def _serve(self, transport: Transport, stop: threading.Event) -> PortError | None:
        """Read an open port until it is lost (then return the cause) or `stop` is set (then None)."""
        try:
            with self._lock:
                self._transport = transport
            self._opened += 1
            self._open_error = None
            self._enter(PortState.OPEN, f"{self.settings.url} is open")
            if self._schedule is not None:
                self._schedule.opened(time.monotonic_ns())
            self._read_at = time.monotonic_ns()
            while not stop.is_set():
                try:
                    data = transport.read(self._send_due(transport))
                except PORT_ERRORS as error:
                    if self._schedule is not None:
                        self._schedule.lost()
                        self._report_unanswered(self._schedule)
                    return explain(self.settings.url, error)
                self._read_at = time.monotonic_ns()
                if not data:
                    continue
                if self._schedule is not None:
                    self._schedule.received(data, transport.arrived)
                taken = time.monotonic_ns()
                # Only bytes prove that a port works; one that opens and fails keeps waiting.
                self._backoff.reset()
                self._bytes_read += len(data)
                self._on_chunk(self.name, transport.arrived, data)
                if time.monotonic_ns() - taken > STALL_NS:
                    self._stalls += 1
                if self.gather and self._schedule is None and len(data) < _MANY_BYTES:
                    time.sleep(self.gather)
            self._send_last(transport)
            return None
        finally:
            self._read_at = None
            with self._lock:
                self._transport = None
                transport.close()

    def _send_due(self, transport: Transport) -> float:
        """Send what is due; return how long to wait for bytes until something else may be, s."""
        schedule = self._schedule
        if schedule is None:
            return READ_TIMEOUT
        now = time.monotonic_ns()
        data = schedule.due(now)
        self._report_unanswered(schedule)
        if data is not None:
            self._send(transport, data, now)
        wait = schedule.wait_ns(time.monotonic_ns())
        return READ_TIMEOUT if wait is None else min(READ_TIMEOUT, wait / 1e9)

    def _send(self, transport: Transport, data: bytes, now: int) -> None:
        with self._lock:
            transport.write(data)
        if self._on_sent is not None:
            self._on_sent(self.name, now, data, False)

    def _report_unanswered(self, schedule: Schedule) -> None:
        for request in schedule.given_up():
            if self._on_sent is not None:
                self._on_sent(self.name, time.monotonic_ns(), request, True)

    def _send_last(self, transport: Transport) -> None:
        """Send the last commands; a port that no longer takes them is closed all the same."""
        schedule = self._schedule
        if schedule is None:
            return
        for data in schedule.stop:
            try:
                self._send(transport, data, time.monotonic_ns())
            except PORT_ERRORS:
                return
            time.sleep(schedule.pause_ns / 1e9)

    def _enter(self, state: PortState, detail: str) -> None:
        with self._changed:
            self._state = state
            self._changed.notify_all()
        self._on_state(self.name, time.monotonic_ns(), state, detail)


def open_port(settings: PortSettings) -> Transport:
    """Open a port once, without a thread, for a quick check; close what it returns.

    Raises:
        PortError: it can't be opened; with the cause and the remedy.
    """
    try:
        return open_transport(settings)
    except PORT_ERRORS as error:
        raise explain(settings.url, error) from error


__all__ = ["PortReader", "PortSettings", "PortState", "open_port"]
