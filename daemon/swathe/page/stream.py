"""The stream of events to one viewer."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

from starlette.responses import JSONResponse
from starlette.types import Receive, Scope, Send

from swathe.page.access import is_loopback
from swathe.page.connections import LEASE, Lease
from swathe.page.guard import peer_of_scope
from swathe.page.mailbox import MAX_VIEWERS_OF_PEER, Mailbox, TooManyViewersError

__all__ = ["EventStream", "Events"]

# A viewer that has taken nothing for so long is disconnected.
_SEND_TIMEOUT_SECONDS = 20.0
# How long the browser waits before it reconnects, ms.
_RETRY = b"retry: 700\n\n"


class EventStream:
    """Sends the contents of a mailbox to its viewer until it leaves; an ASGI application.

    Args:
        mailbox: the viewer's own.
        first: returns the first event.
    """

    def __init__(self, mailbox: Mailbox, first: Callable[[], Awaitable[bytes]]) -> None:
        self._mailbox = mailbox
        self._first = first

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve the viewer."""
        del scope
        first = await self._first()
        content = (b"content-type", b"text/event-stream; charset=utf-8")
        await send({"type": "http.response.start", "status": 200, "headers": [content]})
        writer = asyncio.create_task(self._write(_RETRY + first, send), name="page.viewer")
        leaver = asyncio.create_task(_left(receive), name="page.viewer.left")
        try:
            await asyncio.wait((writer, leaver), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (writer, leaver):
                task.cancel()
            await asyncio.gather(writer, leaver, return_exceptions=True)

    async def _write(self, first: bytes, send: Send) -> None:
        data: bytes | None = first
        while data is not None:
            # While the viewer's connection is full this waits, and only its mailbox fills.
            async with asyncio.timeout(_SEND_TIMEOUT_SECONDS):
                await send({"type": "http.response.body", "body": data, "more_body": True})
            data = await self._mailbox.take()
        await send({"type": "http.response.body", "body": b"", "more_body": False})


class Events:
    """The stream of events, as an ASGI application: a mailbox for each viewer.

    Args:
        mailbox: gives a new viewer its mailbox.
        first: returns the first event.
    """

    def __init__(
        self,
        mailbox: Callable[[], AbstractContextManager[Mailbox]],
        first: Callable[[], Awaitable[bytes]],
    ) -> None:
        self._mailbox, self._first = mailbox, first
        self._of_peer: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a viewer, or refuse one too many."""
        try:
            with self._place(peer_of_scope(scope)), self._mailbox() as mailbox:
                lease: Lease | None = scope.get(LEASE)
                if lease is not None:
                    lease.begin_stream()
                await EventStream(mailbox, self._first)(scope, receive, send)
        except TooManyViewersError as error:
            answer = JSONResponse({"error": str(error)}, 503, {"retry-after": "5"})
            await answer(scope, receive, send)

    @contextmanager
    def _place(self, peer: str) -> Iterator[None]:
        """Count a viewer among those of its peer.

        Raises:
            TooManyViewersError: the peer has too many.
        """
        # Behind a proxy or a tunnel on this machine there may be all of them.
        if self._of_peer[peer] >= MAX_VIEWERS_OF_PEER and not is_loopback(peer):
            msg = (
                f"the maximum of {MAX_VIEWERS_OF_PEER} viewers of one address is reached: close one"
            )
            raise TooManyViewersError(msg)
        self._of_peer[peer] += 1
        try:
            yield
        finally:
            self._of_peer[peer] -= 1
            if not self._of_peer[peer]:
                del self._of_peer[peer]


async def _left(receive: Receive) -> None:
    """Wait until the viewer has closed the connection."""
    while (await receive())["type"] != "http.disconnect":
        pass
