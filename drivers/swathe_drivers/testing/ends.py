"""The device's end of a port: in memory, a pseudo-terminal, TCP."""

import os
import socket
import sys
import tempfile
import time
from abc import abstractmethod
from collections.abc import Callable
from pathlib import Path
from typing import Final

from swathe_drivers.lifecycle import Closing
from swathe_drivers.port import PortReader

PATIENCE: Final = 10.0
"""Seconds to wait for what takes milliseconds."""


class FarEnd(Closing):
    """What a device is to a port; a context manager.

    Attributes:
        url: address of the port.
        can_break: the connection can be lost and come back.
    """

    url: str
    can_break: bool = True

    @abstractmethod
    def meet(self, reader: PortReader) -> None:
        """Wait until the reader is connected."""

    @abstractmethod
    def send(self, data: bytes) -> None:
        """Send bytes to the reader."""

    def lose(self) -> None:
        """Let the connection break, and make it possible again."""
        raise NotImplementedError


class MemoryEnd(FarEnd):
    """A pipe in memory: what is written to the port comes back from it."""

    url = "loop://"
    can_break = False

    def __init__(self) -> None:
        self._reader: PortReader | None = None

    def meet(self, reader: PortReader) -> None:
        """Remember whom to write to."""
        reader.wait_open(PATIENCE)
        self._reader = reader

    def send(self, data: bytes) -> None:
        """Write at the reader's own end, a little at a time: the pipe takes no more."""
        assert self._reader is not None
        for at in range(0, len(data), _PIPE):
            self._reader.write(data[at : at + _PIPE])

    def close(self) -> None:
        """Nothing is open."""


_PIPE: Final = 512


class TerminalEnd(FarEnd):
    """A pseudo-terminal, on systems that have them."""

    def __init__(self) -> None:
        if sys.platform == "win32":
            message = "there are no pseudo-terminals on this system"
            raise NotImplementedError(message)
        self._folder = tempfile.TemporaryDirectory()
        self._link = Path(self._folder.name) / "port"
        self.url = str(self._link)
        self._master = -1
        self._plug()

    def _plug(self) -> None:
        if sys.platform != "win32":
            import pty
            import tty

            self._master, slave = pty.openpty()
            tty.setraw(slave)
            # As udev gives a device a lasting name.
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(os.ttyname(slave))
            os.close(slave)

    def meet(self, reader: PortReader) -> None:
        """Wait until it is open."""
        reader.wait_open(PATIENCE)

    def send(self, data: bytes) -> None:
        """Write from the master."""
        while data:
            data = data[os.write(self._master, data) :]

    def lose(self) -> None:
        """Hang up, and plug in another."""
        os.close(self._master)
        self._plug()

    def close(self) -> None:
        """Hang up."""
        if self._master >= 0:
            os.close(self._master)
            self._master = -1
        self._folder.cleanup()


class TcpEnd(FarEnd):
    """A TCP server on this computer."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(PATIENCE)
        self._client: socket.socket | None = None
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def meet(self, reader: PortReader) -> None:
        """Take the connection."""
        self.lose()
        self._client, _ = self._server.accept()
        self._client.settimeout(PATIENCE)
        reader.wait_open(PATIENCE)

    def send(self, data: bytes) -> None:
        """Send all of it."""
        assert self._client is not None
        self._client.sendall(data)

    def lose(self) -> None:
        """Close the connection; the server stays."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def close(self) -> None:
        """Close both."""
        self.lose()
        self._server.close()


def wait_for(done: Callable[[], bool], what: str) -> None:
    """Wait until `done()` is true.

    Raises:
        AssertionError: it isn't within `PATIENCE`.
    """
    deadline = time.monotonic() + PATIENCE
    while not done():
        if time.monotonic() > deadline:
            message = f"still waiting for {what} after {PATIENCE:g} s"
            raise AssertionError(message)
        time.sleep(0.005)
