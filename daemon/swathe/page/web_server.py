"""The web server of the page: uvicorn in the daemon's own event loop."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Iterator
from typing import TYPE_CHECKING

import uvicorn
from starlette.datastructures import Headers

from swathe.page.access import Access
from swathe.page.connections import ConnectionBudget, Lease
from swathe.page.lobby import Lobby
from swathe.page.protocol import KEEP_ALIVE_SECONDS, BoundedConfig, BoundedProtocol

if TYPE_CHECKING:
    from starlette.types import ASGIApp

__all__ = ["WebServer", "web_server"]

# Connections that wait in the kernel to be accepted; a client whose request finds no place there
# repeats it only after a second.
_QUEUE = 4096


class WebServer(uvicorn.Server):
    """A server that leaves Ctrl-C and SIGTERM to the daemon, and accepts connections by a `Lobby`.

    Args:
        config: of the server.
        access: who may see the page.
    """

    config: BoundedConfig

    def __init__(self, config: BoundedConfig, access: Access) -> None:
        super().__init__(config)
        self._access = access
        self._lobbies: list[Lobby] = []

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take no signal."""
        yield

    async def serve(self, sockets: list[socket.socket] | None = None) -> None:
        """Serve until `should_exit`; nothing is accepted after it, however it ends."""
        try:
            await super().serve(sockets)
        finally:
            self._close_lobbies()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to accept connections."""
        await super().startup([])
        for listener in sockets or ():
            listener.setblocking(False)
            listener.listen(_QUEUE)
            try:
                self._lobbies.append(Lobby(listener, self.config.budget, self))
            except NotImplementedError:
                # Windows' default event loop watches no sockets: there whoever connects is served in turn.
                loop = asyncio.get_running_loop()
                self.servers.append(await loop.create_server(self.protocol, sock=listener))

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Accept nothing more, and wait for the last answers."""
        self._close_lobbies()
        await super().shutdown(sockets)

    def is_first(self, method: str, path: str, headers: Headers) -> bool:
        """Return whether a request shows the right to what it asks for, and is served first."""
        return self._access.is_first(method, path, headers)

    def protocol(self, lease: Lease | None = None, first: bytes = b"") -> BoundedProtocol:
        """Return what answers a connection, which has received `first` already.

        Args:
            lease: its place in the budget; None if it has none yet.
            first: the bytes.
        """
        state = self.lifespan.state
        return BoundedProtocol(self.config, self.server_state, state, lease=lease, first=first)

    def _close_lobbies(self) -> None:
        for lobby in self._lobbies:
            lobby.close()
        self._lobbies.clear()


def web_server(app: ASGIApp, access: Access, *, close_seconds: int) -> WebServer:
    """Return a server of an application that is not started yet.

    Args:
        app: the application.
        access: who may see the page.
        close_seconds: that it waits for the last answers when it closes.
    """
    config = BoundedConfig(
        app,
        http=BoundedProtocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        timeout_keep_alive=KEEP_ALIVE_SECONDS,
        timeout_graceful_shutdown=close_seconds,
        h11_max_incomplete_event_size=16_384,
    )
    config.budget = ConnectionBudget()
    return WebServer(config, access)
