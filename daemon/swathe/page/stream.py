"""The stream of events to one viewer."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import AbstractContextManager

from starlette.responses import JSONResponse
from starlette.types import Receive, Scope, Send

from swathe.page.mailbox import Mailbox, TooManyViewersError

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

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a viewer, or refuse one too many."""
        try:
            with self._mailbox() as mailbox:
                await EventStream(mailbox, self._first)(scope, receive, send)
        except TooManyViewersError as error:
            answer = JSONResponse({"error": str(error)}, 503, {"retry-after": "5"})
            await answer(scope, receive, send)


async def _left(receive: Receive) -> None:
    """Wait until the viewer has closed the connection."""
    while (await receive())["type"] != "http.disconnect":
        pass
