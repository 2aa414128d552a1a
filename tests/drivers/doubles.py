"""Real ports for tests: a pseudo-terminal under a lasting name, and a TCP server."""

import os
import pty
import socket
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from swathe_drivers.lifecycle import Closing
from swathe_drivers.port import PortState

PATIENCE = 10.0
"""Seconds that a test waits for something that takes milliseconds."""


def wait_until(condition: Callable[[], bool], what: str) -> None:
    """Wait for a condition, or fail."""
    deadline = time.monotonic() + PATIENCE
    while not condition():
        assert time.monotonic() < deadline, f"still waiting for: {what}"
        time.sleep(0.005)


class Tape:
    """Records what a reader reports."""

    def __init__(self) -> None:
        self.chunks: list[tuple[str, int, bytes]] = []
        self.states: list[tuple[PortState, str]] = []
        self.times: list[int] = []
        self.threads: set[str] = set()

    def on_chunk(self, name: str, time_ns: int, data: bytes) -> None:
        """Take a chunk."""
        self.threads.add(threading.current_thread().name)
        self.chunks.append((name, time_ns, data))

    def on_state(self, name: str, time_ns: int, state: PortState, detail: str) -> None:
        """Take a state."""
        assert name
        self.times.append(time_ns)
        self.states.append((state, detail))

    @property
    def data(self) -> bytes:
        """All bytes so far."""
        return b"".join(data for _, _, data in self.chunks)

    def count(self, state: PortState) -> int:
        """How often a state was reported."""
        return sum(found is state for found, _ in self.states)


class PtyPort(Closing):
    """A pseudo-terminal behind a symbolic link, as udev gives a device a lasting name."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._master = -1
        self.plug()

    def plug(self) -> None:
        """Make a new terminal and point the link at it."""
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)

    def close(self) -> None:
        """Unplug it."""
        self.unplug()

    def unplug(self) -> None:
        """Take the terminal and its name away."""
        self.link.unlink(missing_ok=True)
        self.hang_up()

    def hang_up(self) -> None:
        """Close the far end only; the name stays and leads nowhere."""
        if self._master >= 0:
            os.close(self._master)
            self._master = -1

    def send(self, data: bytes) -> None:
        """Write from the far end."""
        os.write(self._master, data)

    def receive(self) -> bytes:
        """Read at the far end."""
        return os.read(self._master, 4096)


class TcpServer(Closing):
    """A TCP server on this computer that takes one client at a time.

    Args:
        receive_buffer: bytes that the system keeps while nobody reads; None lets it grow.
    """

    def __init__(self, *, receive_buffer: int | None = None) -> None:
        self._receive_buffer = receive_buffer
        self.number = 0
        self._server: socket.socket | None = None
        self.client: socket.socket | None = None
        self.listen()

    def listen(self) -> None:
        """Listen, on the same number as before."""
        self._server = socket.create_server(("127.0.0.1", self.number))
        self._server.settimeout(PATIENCE)
        if self._receive_buffer is not None:  # what it accepts inherits it
            self._server.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, self._receive_buffer)
        self.number = self._server.getsockname()[1]

    @property
    def url(self) -> str:
        """Address for the settings of a port."""
        return f"socket://127.0.0.1:{self.number}"

    def accept(self) -> socket.socket:
        """Wait for a client."""
        assert self._server is not None
        self.hang_up()
        self.client, _ = self._server.accept()
        self.client.settimeout(PATIENCE)
        return self.client

    def hang_up(self) -> None:
        """Close the connection to the client."""
        if self.client is not None:
            self.client.close()
            self.client = None

    def close(self) -> None:
        """Close everything."""
        self.hang_up()
        if self._server is not None:
            self._server.close()
            self._server = None
