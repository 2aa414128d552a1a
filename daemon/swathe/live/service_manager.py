"""Messages to the service manager of a run: sd_notify(3), without a library of systemd's.

A datagram of ``KEY=value`` lines to the socket that ``$NOTIFY_SOCKET`` names; a name that begins with
``@`` is in Linux's abstract namespace. Nothing is sent where that is not set, and what cannot be sent
at once is dropped: the run never waits for it.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable, MutableMapping

from swathe.pipeline import Pipeline
from swathe.printable import printable

__all__ = ["ServiceManager", "survey_status"]

_STATUS_SECONDS = 5.0
# sd_watchdog_enabled(3) recommends half of the interval; a loaded machine may come late.
_SHARE = 0.25


class ServiceManager:
    """Sends readiness, state and signs of life; a context is not required, `close` releases the socket.

    Args:
        address: of the socket; empty for none.
        watchdog: interval within which a sign of life is expected, s; None if none is.
        clock: monotonic seconds.
    """

    def __init__(
        self,
        address: str = "",
        watchdog: float | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._address = address
        self._watchdog = watchdog
        self._clock = clock
        self._socket: socket.socket | None = None
        if address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        self._alive_due = self._status_due = float("-inf")
        self._status = ""
        self._stopping = False

    @classmethod
    def of_environment(cls, environment: MutableMapping[str, str] | None = None) -> ServiceManager:
        """Return that of this process; it is taken out of the environment, for no child to use it."""
        variables = os.environ if environment is None else environment
        address = variables.pop("NOTIFY_SOCKET", "")
        interval, owner = variables.pop("WATCHDOG_USEC", ""), variables.pop("WATCHDOG_PID", "")
        meant = interval.isdecimal() and owner in ("", str(os.getpid()))
        if not hasattr(socket, "AF_UNIX") or not address.startswith(("/", "@")):
            return cls()
        return cls(address, int(interval) / 1e6 if meant and int(interval) else None)

    def ready(self, status: str) -> None:
        """The run has begun: from here on every byte is journalled."""
        self._send("READY=1", f"STATUS={_line(status)}")

    def alive(self) -> None:
        """The loop came round."""
        if self._watchdog is not None and (now := self._clock()) >= self._alive_due:
            self._alive_due = now + _SHARE * self._watchdog
            self._send("WATCHDOG=1")

    def show(self, status: Callable[[], str]) -> None:
        """Show what the run does, every few seconds; `status` is called when it is due."""
        if self._socket is None or (now := self._clock()) < self._status_due:
            return
        self._status_due = now + _STATUS_SECONDS
        if (text := status()) != self._status:
            self._status = text
            self._send(f"STATUS={_line(text)}")

    def stopping(self, reason: str) -> None:
        """The run ends; only the first reason is sent."""
        if not self._stopping:
            self._stopping = True
            self._send("STOPPING=1", f"STATUS=ending: {_line(reason)}")

    def close(self) -> None:
        """Release the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, *lines: str) -> None:
        if self._socket is None:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError):
            self._socket.sendto("\n".join(lines).encode(), address)


def survey_status(pipeline: Pipeline) -> str:
    """Return how far a survey is, as a status."""
    progress = pipeline.progress()
    return f"{progress.percent:.2f} % of the plan, {progress.open_gaps} gaps open"


def _line(text: str) -> str:
    """Return a text as one line: another one would be another variable."""
    return " ".join(printable(text).split())
