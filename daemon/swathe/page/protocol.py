"""One connection of the page: uvicorn's, with an end to whatever it waits for.

uvicorn waits for a request's headers and body without limit, which a client that sends one byte now
and then makes use of. Here each thing that a connection waits for has a deadline, which no byte
extends: the request's headers, its body and its answer (not a stream of events, which has limits of
its own), the next request, and the end of the connection. `ConnectionBudget` may close it earlier.

(The numbers are our choice, no source.)
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import TYPE_CHECKING, Any, cast

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from swathe.page.connections import LEASE, ConnectionBudget, Lease, peer_of

if TYPE_CHECKING:
    from uvicorn._types import ASGI3Application, ASGIReceiveCallable, ASGISendCallable, Scope

__all__ = ["KEEP_ALIVE_SECONDS", "BoundedConfig", "BoundedProtocol"]

KEEP_ALIVE_SECONDS = 30
"""How long a viewer's connection is kept for the next request."""

_STRANGER_SECONDS = 5.0
_HEADER_SECONDS = 10.0
_REQUEST_SECONDS = 30.0
_CLOSE_SECONDS = 10.0
# Of one request in all: its headers, and a body longer than any command. What exceeds it is not read.
_REQUEST_BYTES = 64 * 1024
# What was sent to a peer that has vanished, or that takes nothing, is given up after so long.
_UNACKNOWLEDGED_MS = 20_000


class BoundedConfig(uvicorn.Config):
    """Configuration of a server whose connections share a budget.

    Attributes:
        budget: the budget.
    """

    budget: ConnectionBudget


class BoundedProtocol(H11Protocol):
    """A connection with deadlines and a place in the budget.

    Args:
        config: of the server.
        server_state: of the server.
        app_state: of the application.
        lease: its place in the budget; without one it takes one when it is connected.
        first: what has arrived already.
    """

    _deadline: asyncio.TimerHandle | None = None
    _waits = False  # for the first byte of the next request
    _received = 0
    _lease: Lease

    def __init__(
        self,
        config: uvicorn.Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        *,
        lease: Lease | None,
        first: bytes,
    ) -> None:
        super().__init__(config, server_state, app_state)
        self._first = first
        self._is_dropped = False
        if lease is not None:
            self._lease = lease
            lease.connection = self

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin with what has arrived already."""
        super().connection_made(transport)
        self._application: ASGI3Application = self.app
        self.app = cast("ASGI3Application", self._serve)
        connection = transport.get_extra_info("socket")
        if hasattr(socket, "TCP_USER_TIMEOUT") and connection is not None:
            with contextlib.suppress(OSError):
                connection.setsockopt(
                    socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _UNACKNOWLEDGED_MS
                )
        self._set_deadline(_HEADER_SECONDS)
        if self._is_dropped:
            transport.abort()
            return
        if not hasattr(self, "_lease"):
            host = self.client[0] if self.client is not None else ""
            self._lease = cast("BoundedConfig", self.config).budget.admit(self, peer_of(host))
        first, self._first = self._first, b""
        if first:
            self.data_received(first)

    def connection_lost(self, exc: Exception | None) -> None:
        """End: the place is free."""
        self._clear_deadline()
        cast("BoundedConfig", self.config).budget.release(self._lease)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take bytes of a request."""
        if self.transport.is_closing():
            return
        if self._waits:
            self._waits = False
            self._set_deadline(_HEADER_SECONDS)
        self._received += len(data)
        super().data_received(data)
        if self._received > _REQUEST_BYTES and not self.transport.is_closing():
            self.drop()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP; where an answer is under way already, close the connection."""
        if self.cycle is not None and not self.cycle.response_complete:
            # Its request was cut off: what the application still says of it has no receiver.
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        try:
            super().send_400_response(msg)
        except h11.LocalProtocolError:
            self.drop()

    def on_response_complete(self) -> None:
        """Wait for the next request, or for the end of the connection."""
        closing = self.transport.is_closing()
        self._waits, self._received = not closing, 0
        self._lease.set_busy(False)
        idle = KEEP_ALIVE_SECONDS if self._lease.known else _STRANGER_SECONDS
        self._set_deadline(_CLOSE_SECONDS if closing else idle)
        super().on_response_complete()

    def drop(self) -> None:
        """Close the connection at once."""
        self._is_dropped = True
        if self.transport is not None:
            self.transport.abort()

    def keep(self) -> None:
        """Let the answer take as long as it takes."""
        self._clear_deadline()

    async def _serve(
        self, scope: Scope, receive: ASGIReceiveCallable, send: ASGISendCallable
    ) -> None:
        """Answer a request: its headers have arrived."""
        self._lease.set_busy(True)
        self._set_deadline(_REQUEST_SECONDS)
        cast("dict[str, Any]", scope)[LEASE] = self._lease
        await self._application(scope, receive, send)

    def _set_deadline(self, seconds: float) -> None:
        self._clear_deadline()
        self._deadline = self.loop.call_later(seconds, self.drop)

    def _clear_deadline(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
