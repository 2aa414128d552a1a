"""The web server of the page: uvicorn in the daemon's own event loop."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from typing import TYPE_CHECKING

import uvicorn

from swathe.page.connections import ConnectionBudget
from swathe.page.protocol import KEEP_ALIVE_SECONDS, BoundedConfig, BoundedProtocol

if TYPE_CHECKING:
    from starlette.types import ASGIApp

__all__ = ["WebServer", "web_server"]

# Connections that are accepted in one round of the loop: what else it has to do, above all to read
# the ports, gets its turn in between, however many are opened.
_ACCEPTED_AT_ONCE = 16
# Connections that wait in the kernel to be accepted; a client whose request finds no place there
# repeats it only after a second.
_QUEUE = 4096


class WebServer(uvicorn.Server):
    """A server that leaves Ctrl-C and SIGTERM to the daemon."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take no signal."""
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to listen, with a queue that is longer than one round's share of it."""
        await super().startup(sockets)
        for listener in sockets or ():
            listener.listen(_QUEUE)


def web_server(app: ASGIApp, *, close_seconds: int) -> WebServer:
    """Return a server of an application that is not started yet.

    Args:
        app: the application.
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
        backlog=_ACCEPTED_AT_ONCE,
        timeout_keep_alive=KEEP_ALIVE_SECONDS,
        timeout_graceful_shutdown=close_seconds,
        h11_max_incomplete_event_size=16_384,
    )
    config.budget = ConnectionBudget()
    return WebServer(config)
