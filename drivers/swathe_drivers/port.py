"""Reads one port in a thread of its own and opens it again when it is lost.

The thread hands over every chunk at once with the time at which the read returned. It goes on
until it is closed: a port that is missing, busy or unplugged is tried again and again with
growing delays. Only a capture in place of a port has an end; behind it the port is closed.
"""

import threading
import time
from collections.abc import Callable
from enum import StrEnum
from types import TracebackType
from typing import Final, Self, TypeVar

from swathe_drivers.backoff import Backoff
from swathe_drivers.capture import CaptureEndError
from swathe_drivers.errors import PortError, UsageError
from swathe_drivers.failures import PORT_ERRORS, explain
from swathe_drivers.transport import PortSettings, Transport, open_transport

_Result = TypeVar("_Result")

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


class PortReader:
    """Reads a port until it is closed.

    A context manager; `start` and `close` do the same. It can be started again after it was
    closed. Both callbacks run in the reading thread, never at the same time. A taker of chunks
    that blocks delays only this port; `stalls` counts how often that happened.

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
        backoff: Backoff | None = None,
    ) -> None:
        self.name: Final = name
        self.settings: Final = settings
        self._on_chunk = on_chunk
        self._on_state = on_state
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
    def bytes_read(self) -> int:
        """Bytes handed over since the start."""
        return self._bytes_read

    def start(self) -> None:
        """Begin to open and read the port; returns at once.

        Raises:
            UsageError: it is started already; close it first.
        """
        if self._thread is not None:
            message = f"the reader of {self.name!r} is started already; close it first"
            raise UsageError(message)
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

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def wait_open(self, timeout: float) -> None:
        """Wait until the port is open.

        Raises:
            PortError: it isn't within `timeout` seconds; says why. The reader goes on trying,
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
            UsageError: the reader is not started.
        """
        self._with_port(lambda transport: transport.write(data))

    def write_some(self, data: bytes) -> int:
        """Send the bytes that the port takes at once and tell how many; from any thread.

        Raises:
            PortError, UsageError: as `write`.
        """
        return self._with_port(lambda transport: transport.write_some(data))

    def discard_output(self) -> bool:
        """Take back what is not on the line yet; tell whether there was any.

        Raises:
            PortError, UsageError: as `write`.
        """
        return self._with_port(lambda transport: transport.discard_output())

    def _with_port(self, act: Callable[[Transport], _Result]) -> _Result:
        if self._thread is None:
            message = f"the reader of {self.name!r} is not started; start it before writing"
            raise UsageError(message)
        with self._lock:
            if self._transport is None:
                raise PortError(self.settings.url, "is not open, nothing was written")
            try:
                return act(self._transport)
            except PORT_ERRORS as error:
                raise explain(self.settings.url, error) from error

    def _run(self, stop: threading.Event) -> None:
        told = ""
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
                    told = ""
                if problem is None:
                    break
                if self.settings.is_capture:  # a file that can't be read won't mend itself
                    detail, self._open_error = problem.reason, problem
                    self._ended = True
                    break
                self._open_error = problem
                if problem.reason != told:  # a port that stays away is told once
                    told = problem.reason
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
        """Read an open port until it is lost (then says why) or `stop` is set (then None)."""
        try:
            with self._lock:
                self._transport = transport
            self._opened += 1
            self._open_error = None
            self._enter(PortState.OPEN, f"{self.settings.url} is open")
            while not stop.is_set():
                try:
                    data = transport.read()
                except PORT_ERRORS as error:
                    return explain(self.settings.url, error)
                if not data:
                    continue
                taken = time.monotonic_ns()
                # Only bytes prove that a port works; one that opens and fails keeps waiting.
                self._backoff.reset()
                self._bytes_read += len(data)
                self._on_chunk(self.name, transport.arrived, data)
                if time.monotonic_ns() - taken > STALL_NS:
                    self._stalls += 1
            return None
        finally:
            with self._lock:
                self._transport = None
                transport.close()

    def _enter(self, state: PortState, detail: str) -> None:
        with self._changed:
            self._state = state
            self._changed.notify_all()
        self._on_state(self.name, time.monotonic_ns(), state, detail)


def open_port(settings: PortSettings) -> Transport:
    """Open a port once, without a thread, for a quick check; close what it returns.

    Raises:
        PortError: it can't be opened; says why and what to do.
    """
    try:
        return open_transport(settings)
    except PORT_ERRORS as error:
        raise explain(settings.url, error) from error


__all__ = ["PortReader", "PortSettings", "PortState", "open_port"]
