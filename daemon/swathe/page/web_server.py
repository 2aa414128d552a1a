"""The web server of the page: uvicorn in the daemon's own event loop."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING

import uvicorn

if TYPE_CHECKING:
    from starlette.types import ASGIApp

__all__ = ["WebServer", "web_server"]


class WebServer(uvicorn.Server):
    """A server that leaves Ctrl-C and SIGTERM to the daemon."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take no signal."""
        yield


def web_server(app: ASGIApp, *, most_connections: int, close_seconds: int) -> WebServer:
    """Return a server of an application that is not started yet.

    Args:
        app: the application.
        most_connections: that it takes at once.
        close_seconds: that it waits for the last answers when it closes.
    """
    return WebServer(
        uvicorn.Config(
            app,
            http="h11",
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,
            limit_concurrency=most_connections,
            timeout_graceful_shutdown=close_seconds,
            h11_max_incomplete_event_size=16_384,
        )
    )
