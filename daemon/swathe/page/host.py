"""Serving pages inside the daemon's own event loop.

An error here is logged and ends the page, never the scan.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Protocol

from swathe.page.access import Access
from swathe.station import PageSettings

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from swathe.page.web_server import WebServer

__all__ = ["Feed", "PageHost"]

_log = logging.getLogger(__name__)

_CLOSE_SECONDS = 2
_BACKLOG = 1024
# Of each connection, in the kernel: what a slow viewer has not taken yet waits in its mailbox,
# where newer events replace it, and not in some MB of old ones.
_SEND_BUFFER_BYTES = 128 * 1024


class Feed(Protocol):
    """What publishes changes to the viewers."""

    @property
    def viewers(self) -> int:
        """Number of viewers."""
        ...

    async def run(self) -> None:
        """Publish changes until cancelled."""
        ...

    def close_viewers(self) -> None:
        """End every viewer's stream once it has the pending events."""
        ...


class PageHost:
    """Serves an application; open, then close.

    Args:
        settings: the station file's ``[page]``.
        feed: publishes changes to the viewers.
        module: that has the application, imported in a thread; it takes a moment.
        build: returns the application, once the module is imported.
        path: of the page, without the first slash.

    Attributes:
        url: of the page, with the token if one is required; empty while it is not open.
        hint: what is shown in place of a token that this page has made, where it must not be shown.
        trouble: why there is no page; empty when there is one.

    Raises:
        SwatheError: the token's environment variable is not set, or its token is easily guessed.
    """

    def __init__(
        self,
        settings: PageSettings,
        feed: Feed,
        *,
        module: str,
        build: Callable[[Access], ASGIApp],
        path: str = "",
    ) -> None:
        self._listener = _listen(settings)
        port = settings.port
        if isinstance(self._listener, socket.socket):
            port = int(self._listener.getsockname()[1])
        try:
            self._access = Access(settings, port)
        except BaseException:
            if isinstance(self._listener, socket.socket):
                self._listener.close()
            raise
        self._feed, self._module, self._build = feed, module, build
        self._task: asyncio.Task[None] | None = None
        self._server: WebServer | None = None
        self._closing = False
        self.url = self.hint = ""
        self.trouble = "" if isinstance(self._listener, socket.socket) else self._listener
        if not self.trouble:
            host = f"[{settings.host}]" if ":" in settings.host else settings.host
            self.url = f"http://{host}:{port}/{path}"
            if self._access.token is not None:
                # A fragment is neither sent in a request nor written into any log.
                self.url += f"#token={self._access.token}"
                if settings.token_variable is None:
                    self.hint = (
                        "its token is shown on a terminal only: name one in page.token_variable"
                    )

    @property
    def viewers(self) -> int:
        """Number of viewers."""
        return self._feed.viewers

    @property
    def wrong_tokens(self) -> str:
        """What is to be known of guesses of the token, as text; empty without any."""
        return self._access.wrong.text

    def address_text(self, *, logged: bool) -> str:
        """Return the address, or why it is not served; without its token where it is logged."""
        if not logged or self.trouble:
            return self.trouble or f"page: {self.url}"
        hint = f" ({self.hint})" if self.hint else ""
        return f"page: {self.url.partition('#')[0]}{hint}"

    def open(self) -> None:
        """Start serving, as a task of the running loop."""
        if isinstance(self._listener, socket.socket):
            self._task = asyncio.create_task(self._serve(self._listener), name="page.server")
        else:
            _log.warning("%s", self.trouble)

    async def close(self) -> None:
        """Close the page once every viewer has the last messages, or after some seconds.

        It may be called at any time, and repeatedly.
        """
        self._feed.close_viewers()
        self._closing = True
        if self._task is None and isinstance(self._listener, socket.socket):
            self._listener.close()
        if self._server is not None:
            self._server.should_exit = True
        if self._task is not None:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(2 * _CLOSE_SECONDS):
                    await asyncio.shield(self._task)
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _serve(self, listener: socket.socket) -> None:
        # Imported in a thread: it takes a moment, and readings arrive meanwhile.
        try:
            web = await asyncio.to_thread(import_module, "swathe.page.web_server")
            await asyncio.to_thread(import_module, self._module)
        except BaseException:
            listener.close()
            raise
        if self._closing:
            listener.close()
            return
        self._server = server = web.web_server(
            self._build(self._access), self._access, close_seconds=_CLOSE_SECONDS
        )
        watching = asyncio.create_task(self._feed.run(), name="page.feed")
        # Without its feed the page would look alive and never change: it ends with it.
        watching.add_done_callback(lambda _: setattr(server, "should_exit", True))
        try:
            await server.serve([listener])
        except Exception as error:  # noqa: BLE001  the scan continues without the page
            self._give_up(error)
        finally:
            listener.close()
            watching.cancel()
            (ended,) = await asyncio.gather(watching, return_exceptions=True)
            if isinstance(ended, Exception):
                self._give_up(ended)

    def _give_up(self, error: Exception) -> None:
        self.url, self.trouble = "", f"the page ended: {error}"
        _log.error("the page ended, the scan continues without it", exc_info=error)


def _listen(settings: PageSettings) -> socket.socket | str:
    """Return a listening socket, or why there is none."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    try:
        listener = socket.create_server(
            (settings.host, settings.port), family=family, backlog=_BACKLOG
        )
        # Connections inherit it.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)
        return listener
    except OSError as error:
        return (
            f"no page: {settings.host} port {settings.port} cannot be used "
            f"({error.strerror or error}); name another page.port in the station file, or 0 for a "
            "free one"
        )
