"""The web server of the page: uvicorn in the daemon's own event loop."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import uvicorn

from swathe.page.access import Access
from swathe.page.app import build_app
from swathe.page.hub import Hub
from swathe.page.source import Source

__all__ = ["WebServer", "web_server"]


class WebServer(uvicorn.Server):
    """A server that leaves Ctrl-C and SIGTERM to the daemon."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take no signal."""
        yield


def web_server(
    source: Source, hub: Hub, access: Access, *, most_connections: int, close_seconds: int
) -> WebServer:
    """Return a server of the page that is not started yet.

    Args:
        source: the daemon.
        hub: publishes changes to the viewers.
        access: who may do what.
        most_connections: that it takes at once.
        close_seconds: that it waits for the last answers when it closes.
    """
    return WebServer(
        uvicorn.Config(
            build_app(source, hub, access),
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
