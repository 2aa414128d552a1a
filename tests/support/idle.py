"""Clients that hold connections to the page without any use for them."""

from __future__ import annotations

import selectors
import socket
import time
from types import TracebackType
from typing import Self

__all__ = ["Idlers", "raise_file_limit", "timed_command"]


def raise_file_limit(files: int) -> None:
    """Let this process have so many open files; POSIX only.

    Raises:
        ValueError: the machine does not allow it.
    """
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < files:
        resource.setrlimit(resource.RLIMIT_NOFILE, (files, max(hard, files)))


class Idlers:
    """So many connections to a port, each of which sends `first` and nothing more.

    One that the page has closed stays counted among `count`; `opened` has those that it holds.
    """

    def __init__(
        self, port: int, count: int, first: bytes = b"", *, host: str = "127.0.0.1"
    ) -> None:
        self._address = host, port
        self._count = count
        self._first = first
        self._sockets: list[socket.socket] = []

    def __enter__(self) -> Self:
        for _ in range(self._count):
            connection = socket.create_connection(self._address, timeout=20)
            self._sockets.append(connection)
            if self._first:
                connection.sendall(self._first)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for connection in self._sockets:
            connection.close()

    @property
    def open(self) -> int:
        """Number of connections that the page has not closed."""
        ended = 0
        with selectors.DefaultSelector() as selector:
            for connection in self._sockets:
                selector.register(connection, selectors.EVENT_READ)
            for key, _ in selector.select(0):
                held = key.fileobj
                assert isinstance(held, socket.socket)
                try:
                    ended += held.recv(65_536) == b""
                except OSError:
                    ended += 1
        return len(self._sockets) - ended


def timed_command(port: int, body: bytes, *, token: str = "", host: str = "127.0.0.1") -> float:
    """Send a command over a new connection; return the seconds until it is answered with 200."""
    proof = f"Authorization: Bearer {token}" if token else f"Origin: http://127.0.0.1:{port}"
    head = (
        f"POST /command HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n{proof}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    begun = time.monotonic()
    with socket.create_connection((host, port), timeout=20) as connection:
        connection.sendall(head.encode() + body)
        answer = connection.recv(65_536)
    seconds = time.monotonic() - begun
    assert answer.startswith(b"HTTP/1.1 200 "), answer[:200]
    return seconds
