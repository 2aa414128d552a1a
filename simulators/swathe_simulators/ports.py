"""Real ports: a pseudo terminal behind a symlink, or a TCP server.

Neither ever blocks: bytes without a receiver are discarded, as on a wire.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import sys
import tempfile
from pathlib import Path
from typing import Protocol

from swathe_simulators.device_models import PortModel


class Port(Protocol):
    """What the world requires of a port; `open` and `close` may alternate."""

    @property
    def address(self) -> str:
        """Path or URL under which the port is found."""
        ...

    def open(self) -> None:
        """Appear under the address."""
        ...

    def close(self) -> None:
        """Vanish; idempotent."""
        ...

    def service(self) -> bool:
        """Accept and drop listeners; return whether there is one."""
        ...

    def write(self, data: bytes) -> int:
        """Write what fits and return how many bytes that was; 0 if nobody listens."""
        ...

    def take(self) -> bytes:
        """Return what was written to the device since the last time."""
        ...


_MOST_KEPT = 65536


def _keep(inbox: bytearray, data: bytes) -> None:
    """Keep what was written to a device, the newest if nobody takes it."""
    inbox += data
    del inbox[:-_MOST_KEPT]


class PtyPort:
    """A pseudo terminal in raw mode; its slave is found under a symlink.

    Args:
        link: where the symlink is put.
    """

    def __init__(self, link: Path) -> None:
        self._link = link
        self._inbox = bytearray()
        self._master = -1
        self._slave_name = ""
        self._listened = False

    @property
    def address(self) -> str:
        """Path of the symlink."""
        return str(self._link)

    def open(self) -> None:
        """Make the terminal and its symlink.

        Raises:
            OSError: the path of the symlink is taken by something else, or the system
                has no pseudo terminals; choose another folder, or a TCP port.
        """
        if sys.platform == "win32":
            raise OSError("this system has no pseudo terminals; give the device a tcp port")
        import tty

        if self._link.exists() and not self._link.is_symlink():
            raise FileExistsError(
                errno.EEXIST, "not a symlink; choose another folder for the ports", self.address
            )
        self._master, slave = os.openpty()
        try:
            tty.setraw(slave)
            os.set_blocking(self._master, False)
            self._slave_name = os.ttyname(slave)
            # A rename replaces what an earlier world may have left, in one step.
            with tempfile.TemporaryDirectory(dir=self._link.parent) as folder:
                fresh = Path(folder) / "port"
                fresh.symlink_to(self._slave_name)
                fresh.replace(self._link)
        except BaseException:
            self.close()
            raise
        finally:
            # The master reports a hang-up only while nobody has the slave open.
            os.close(slave)

    def close(self) -> None:
        """Hang up and take the symlink away, unless it leads elsewhere by now."""
        if self._master < 0:
            return
        os.close(self._master)
        self._master, self._listened = -1, False
        if self._link.is_symlink() and str(self._link.readlink()) == self._slave_name:
            self._link.unlink()

    def service(self) -> bool:
        """Read what was written to the device; return whether the slave is open."""
        if self._master < 0:
            return False
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        events = poll.poll(0)
        flags = events[0][1] if events else 0
        if flags & select.POLLIN:
            try:
                _keep(self._inbox, os.read(self._master, 4096))
            except OSError as error:
                if error.errno not in (errno.EIO, errno.EAGAIN):
                    raise
        listened = not flags & select.POLLHUP
        if self._listened and not listened:
            self._forget()
        self._listened = listened
        return listened

    def _forget(self) -> None:
        """Discard what the last listener left unread: a real line would have lost it."""
        import termios
        import tty

        slave = os.open(self._slave_name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            termios.tcflush(slave, termios.TCIFLUSH)
            tty.setraw(slave)
        finally:
            os.close(slave)

    def take(self) -> bytes:
        """Return what was written to the device; see `Port.take`."""
        data = bytes(self._inbox)
        self._inbox.clear()
        return data

    def write(self, data: bytes) -> int:
        """Write what fits; see `Port.write`."""
        if not self.service():
            return 0
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            if error.errno == errno.EIO:  # closed since `service`
                return 0
            raise


class TcpPort:
    """A TCP server; every client gets every byte from when it connected."""

    def __init__(self, host: str, port: int) -> None:
        self._inbox = bytearray()
        self._host, self._port = host, port
        self._server: socket.socket | None = None
        self._clients: list[socket.socket] = []

    @property
    def address(self) -> str:
        """URL with the real port number, as serial libraries take it."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"socket://{host}:{self._port}"

    def open(self) -> None:
        """Listen; a port number of 0 is replaced by the one the system gave.

        Raises:
            OSError: the port is taken; choose another, or 0 for any.
        """
        family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
        try:
            self._server = socket.create_server((self._host, self._port), family=family, backlog=8)
        except OSError as error:
            raise OSError(
                error.errno,
                f"cannot listen on {self.address}: {error.strerror}; choose another port, or 0",
            ) from error
        self._server.setblocking(False)
        self._port = int(self._server.getsockname()[1])

    def close(self) -> None:
        """Hang up on all clients and stop listening."""
        for client in self._clients:
            client.close()
        self._clients = []
        if self._server is not None:
            self._server.close()
            self._server = None

    def service(self) -> bool:
        """Accept and drop clients; return whether there is one."""
        if self._server is None:
            return False
        watched = [self._server, *self._clients]
        poll = select.poll()
        for sock in watched:
            poll.register(sock, select.POLLIN)
        ready = {fd for fd, _ in poll.poll(0)}
        if not ready:
            return bool(self._clients)
        for client in [c for c in self._clients if c.fileno() in ready]:
            try:
                data = client.recv(4096)
                _keep(self._inbox, data)
                closed = data == b""
            except BlockingIOError:
                closed = False
            except OSError:
                closed = True
            if closed:
                self._drop(client)
        if self._server.fileno() in ready:
            try:
                client, _ = self._server.accept()
            except OSError:  # it went away before it was taken in
                return bool(self._clients)
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients.append(client)
        return bool(self._clients)

    def _drop(self, client: socket.socket) -> None:
        self._clients.remove(client)
        client.close()

    def take(self) -> bytes:
        """Return what was written to the device; see `Port.take`."""
        data = bytes(self._inbox)
        self._inbox.clear()
        return data

    def write(self, data: bytes) -> int:
        """Send to every client; return what the best of them took."""
        best = 0
        for client in list(self._clients):
            try:
                best = max(best, client.send(data))
            except BlockingIOError:
                continue
            except OSError:
                self._drop(client)
        return best


def make_port(model: PortModel, *, name: str, folder: Path) -> Port:
    """Return the (closed) port of a device; a pty's symlink is `folder`/`name`."""
    if model.kind == "pty":
        return PtyPort(folder / name)
    return TcpPort(model.host, model.port)
