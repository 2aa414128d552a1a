"""Middleware: every request passes the access rules, every answer carries the security headers."""

from __future__ import annotations

import asyncio

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from swathe.messages.bounded_json import parse_json
from swathe.page.access import HEADERS, Access
from swathe.page.connections import LEASE, Lease, peer_of
from swathe.page.wrong_tokens import TOO_MANY_GUESSES

__all__ = ["MAX_BODY_BYTES", "BodyError", "Guard", "peer_of_scope", "read_json"]

MAX_BODY_BYTES = 4096
"""Maximum length of a request's body."""

_BODY_SECONDS = 10.0
# Answers in progress of what is open to everyone: however many are waited for, a command does not wait
# for them.
_OPEN_AT_ONCE = 8
_CLOSE = {"connection": "close"}


class BodyError(ValueError):
    """A request's body cannot be read to its end; the connection is closed.

    Attributes:
        status: of the answer.
    """

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class Guard:
    """Passes requests to an application, or refuses them.

    Args:
        app: the application.
        access: the rules.
    """

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access
        self._open_turns = asyncio.Semaphore(_OPEN_AT_ONCE)

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

        headers = Headers(scope=scope)
        known = self._access.knows(headers)
        lease: Lease | None = scope.get(LEASE)
        refusal = self._access.refusal(scope["method"], scope["path"], headers)
        if lease is not None:
            lease.set_known(known and refusal is None)
        if refusal is None and scope["method"] != "POST" and self._access.is_open(scope["path"]):
            async with self._open_turns:
                await self._app(scope, receive, send_with_headers)
            return
        if refusal is None:
            await self._app(scope, receive, send_with_headers)
            return
        status, reason = refusal
        closing = None
        if not known and (guess := self._access.guess(headers)):
            closing = _CLOSE
            if not await self._access.wrong.delay(peer_of_scope(scope), guess):
                status, reason = TOO_MANY_GUESSES
        answer = JSONResponse({"error": reason}, status, closing)
        await answer(scope, receive, send_with_headers)


def peer_of_scope(scope: Scope) -> str:
    """Return whose request it is, as of `peer_of`."""
    client = scope.get("client")
    return peer_of(client[0]) if client else ""


async def read_json(request: Request) -> object:
    """Return a request's body as JSON.

    Raises:
        BodyError: it is longer than `MAX_BODY_BYTES`, or does not arrive.
        ValueError: it is no JSON within the bounds of `parse_json`; answer 400.
    """
    body = bytearray()
    try:
        async with asyncio.timeout(_BODY_SECONDS):
            async for chunk in request.stream():
                body += chunk
                if len(body) > MAX_BODY_BYTES:
                    raise BodyError(413, f"at most {MAX_BODY_BYTES} bytes")
    except TimeoutError as error:
        raise BodyError(408, "the request's body did not arrive in time") from error
    except ClientDisconnect as error:
        raise BodyError(400, "the request's body did not arrive") from error
    value: object = parse_json(bytes(body), limit=MAX_BODY_BYTES)
    return value
