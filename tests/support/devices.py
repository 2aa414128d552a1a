"""An encoder and a gauge on TCP, which say whatever a test or benchmark makes them say."""

from __future__ import annotations

import abc
import socket
import threading
from types import TracebackType
from typing import Self

__all__ = ["TcpDevices"]


class TcpDevices(abc.ABC):
    """Waits for a daemon on both ports, then speaks in a thread of its own; a context manager.

    Attributes:
        ports: TCP ports of encoder and gauge.
        ended: set when there is nothing more to be said.
    """

    def __init__(self) -> None:
        self._listeners = [socket.create_server(("127.0.0.1", 0)) for _ in range(2)]
        self.ports = [int(one.getsockname()[1]) for one in self._listeners]
        self.ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="devices")

    @abc.abstractmethod
    def speak(self, encoder: socket.socket, gauge: socket.socket) -> None:
        """Say what there is to say, until `ended`."""

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.ended.set()
        for listener in self._listeners:
            listener.close()
        self._thread.join(20)

    def _run(self) -> None:
        try:
            links = [listener.accept()[0] for listener in self._listeners]
        except OSError:
            return  # closed before anybody came
        for link in links:
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with links[0], links[1]:
            try:
                self.speak(*links)
            except OSError:
                return  # the daemon has ended
