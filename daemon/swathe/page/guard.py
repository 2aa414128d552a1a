"""Middleware: every request passes the access rules, every answer carries the security headers."""

from __future__ import annotations

import json

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from swathe.page.access import HEADERS, Access

__all__ = ["MAX_BODY_BYTES", "Guard", "TooLongError", "read_json"]

MAX_BODY_BYTES = 4096
"""Maximum length of a request's body."""


class TooLongError(ValueError):
    """A request's body is longer than any command is."""


class Guard:
    """Passes requests to an application, or refuses them.

    Args:
        app: the application.
        access: the rules.
    """

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            msg = f"the page speaks HTTP only (got {scope['type']})"
            raise ValueError(msg)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        refusal = self._access.refusal(scope["method"], scope["path"], Headers(scope=scope))
        if refusal is None:
            await self._app(scope, receive, send_with_headers)
            return
        status, reason = refusal
        await JSONResponse({"error": reason}, status)(scope, receive, send_with_headers)


async def read_json(request: Request) -> object:
    """Return a request's body as JSON.

    Raises:
        TooLongError: it is longer than `MAX_BODY_BYTES`; answer 413.
        ValueError: it is no JSON; answer 400.
    """
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > MAX_BODY_BYTES:
            msg = f"at most {MAX_BODY_BYTES} bytes"
            raise TooLongError(msg)
    value: object = json.loads(body)
    return value
