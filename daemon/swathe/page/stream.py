"""The stream of events to one viewer."""

from __future__ import annotations

import asyncio

from starlette.types import Receive, Scope, Send

from swathe.page.hub import Hub
from swathe.page.mailbox import Mailbox

__all__ = ["EventStream"]

# A viewer that has taken nothing for so long is disconnected.
_SEND_TIMEOUT_SECONDS = 20.0
# How long the browser waits before it reconnects, ms.
_RETRY = b"retry: 700\n\n"


class EventStream:
    """Sends the contents of a mailbox to its viewer until it leaves; an ASGI application.

    Args:
        hub: source of the first event.
        mailbox: the viewer's own.
    """

    def __init__(self, hub: Hub, mailbox: Mailbox) -> None:
        self._hub = hub
        self._mailbox = mailbox

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve the viewer."""
        del scope
        pyramid = await self._hub.pyramid()
        content = (b"content-type", b"text/event-stream; charset=utf-8")
        await send({"type": "http.response.start", "status": 200, "headers": [content]})
        writer = asyncio.create_task(
            self._write(_RETRY + self._hub.plan_event(pyramid), send), name="page.viewer"
        )
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


async def _left(receive: Receive) -> None:
    """Wait until the viewer has closed the connection."""
    while (await receive())["type"] != "http.disconnect":
        pass
