"""The page's routes.

::

    GET  /                              the page
    GET  /static/...                    its scripts and styles
    POST /session                       {"token": ...}: a cookie in exchange for the token
    GET  /events                        server-sent events: the current state, then changes
    GET  /tiles/{level}/{row}/{column}  pixels of the map, see ``pyramid.py``
    GET  /cell/{row}/{column}           a cell, with its A-scan where A-scans are kept
    GET  /line/{row}                    the profile of a line
    GET  /affected?stretch={...}        what a discard or a move would affect, as text
    POST /command                       a command as over MQTT; the answer is the reply

Events are ``plan`` (once, see ``plan.py``), ``replaced`` (plan and messages of a survey that was
placed again; nothing older applies), ``messages`` (pairs of topic and message, as over MQTT;
the topics ``crawler``, ``next`` and ``notes`` are the page's own, see ``page_topics.py``), ``pixels`` (the
probe's position and the changed pixels, see ``pyramid.py``), ``stale`` (fetch the tiles again) and
``beat`` (the daemon runs).
"""

from __future__ import annotations

import asyncio
import ipaddress
import zlib
from importlib.resources import files
from pathlib import Path

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

from swathe.messages import CommandMessage, StretchSnapshot
from swathe.page.access import Access
from swathe.page.guard import Guard, TooLongError, read_json
from swathe.page.hub import Hub, TooManyViewersError
from swathe.page.pyramid import pack_tile
from swathe.page.readings import cell_reading, line_profile
from swathe.page.source import Source
from swathe.page.stream import EventStream

__all__ = ["build_app"]

_STATIC = Path(str(files("swathe.page").joinpath("static")))
# A wrong token is answered late, so that guessing is slow.
_WRONG_TOKEN_SECONDS = 0.5
_MIN_PACKED_BYTES = 1000


def build_app(source: Source, hub: Hub, access: Access) -> Starlette:
    """Return the page as an ASGI application.

    Args:
        source: the daemon.
        hub: publishes changes to the viewers; its `run` must be running.
        access: who may do what.
    """
    pages = _Pages(source, hub, access)
    return Starlette(
        routes=[
            Route("/", pages.home),
            Route("/favicon.ico", pages.icon),
            Route("/session", pages.session, methods=["POST"]),
            Route("/events", _Events(hub)),
            Route("/tiles/{level:int}/{row:int}/{column:int}", pages.tile),
            Route("/cell/{row:int}/{column:int}", pages.cell),
            Route("/line/{row:int}", pages.line),
            Route("/affected", pages.affected),
            Route("/command", pages.command, methods=["POST"]),
            Mount("/static", StaticFiles(directory=_STATIC)),
        ],
        middleware=[Middleware(Guard, access=access)],
        exception_handlers={LookupError: _not_found},
    )


class _Events:
    """The stream of events, as an ASGI application."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            with self._hub.mailbox() as mailbox:
                await EventStream(self._hub, mailbox)(scope, receive, send)
        except TooManyViewersError as error:
            answer = JSONResponse({"error": str(error)}, 503, {"retry-after": "5"})
            await answer(scope, receive, send)


class _Pages:
    def __init__(self, source: Source, hub: Hub, access: Access) -> None:
        self._source = source
        self._hub = hub
        self._access = access

    async def home(self, request: Request) -> Response:
        del request
        return FileResponse(_STATIC / "index.html", headers={"cache-control": "no-cache"})

    async def icon(self, request: Request) -> Response:
        del request
        return FileResponse(_STATIC / "icon.svg", media_type="image/svg+xml")

    async def session(self, request: Request) -> Response:
        """Return a cookie in exchange for the token."""
        try:
            given = await read_json(request)
        except ValueError as error:
            return _refused(error)
        token = given.get("token") if isinstance(given, dict) else None
        cookie = self._access.login(token) if isinstance(token, str) else None
        if cookie is None:
            await asyncio.sleep(_WRONG_TOKEN_SECONDS)
            return JSONResponse({"error": "wrong token"}, 403)
        return Response(status_code=204, headers={"set-cookie": cookie})

    async def tile(self, request: Request) -> Response:
        """Return a tile's pixels; compressed for viewers on other machines."""
        path = request.path_params
        pyramid = await self._hub.pyramid()
        data = pack_tile(*pyramid.tile(path["level"], path["row"], path["column"]))
        headers = {}
        if _is_far(request) and len(data) > _MIN_PACKED_BYTES:
            packer = zlib.compressobj(1, wbits=31)
            data = packer.compress(data) + packer.flush()
            headers["content-encoding"] = "gzip"
        return Response(data, media_type="application/octet-stream", headers=headers)

    async def cell(self, request: Request) -> Response:
        path = request.path_params
        return JSONResponse(cell_reading(self._source, path["row"], path["column"]))

    async def line(self, request: Request) -> Response:
        return JSONResponse(line_profile(self._source, request.path_params["row"]))

    async def affected(self, request: Request) -> Response:
        """Return what a discard or a move of a stretch, JSON as in the command, would affect."""
        try:
            stretch = StretchSnapshot.model_validate_json(request.query_params.get("stretch", ""))
        except ValidationError as error:
            return JSONResponse({"error": _problems(error)}, 400)
        return JSONResponse({"affected": self._source.affected(stretch)})

    async def command(self, request: Request) -> Response:
        """Execute a command and return the reply."""
        try:
            command = CommandMessage.model_validate(await read_json(request))
        except ValidationError as error:
            return JSONResponse({"error": _problems(error)}, 400)
        except ValueError as error:
            return _refused(error)
        reply = self._source.execute(command)
        return Response(reply.model_dump_json(by_alias=True), media_type="application/json")


def _problems(error: ValidationError) -> str:
    """Return the first problems of a request as text."""
    problems = error.errors(include_url=False, include_input=False, include_context=False)
    return "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in problems[:3])


def _refused(error: ValueError) -> Response:
    if isinstance(error, TooLongError):
        return JSONResponse({"error": str(error)}, 413, {"connection": "close"})
    return JSONResponse({"error": f"must be JSON: {error}"}, 400)


def _not_found(request: Request, error: Exception) -> Response:
    del request
    return JSONResponse({"error": str(error)}, 404)


def _is_far(request: Request) -> bool:
    """Return whether the viewer is on another machine and accepts compressed answers."""
    if "gzip" not in request.headers.get("accept-encoding", "") or request.client is None:
        return False
    try:
        return not ipaddress.ip_address(request.client.host).is_loopback
    except ValueError:
        return True
