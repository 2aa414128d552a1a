"""The page's routes.

::

    GET  /                              the page
    GET  /static/...                    its scripts and styles
    POST /session                       {"token": ...}: a cookie in exchange for the token
    GET  /events                        server-sent events: the current state, then changes
    GET  /tiles/{level}/{row}/{column}  pixels of the map, see ``pyramid.py``
    GET  /cell/{row}/{column}           a cell, with its A-scan where A-scans are kept
    GET  /line/{row}                    the profile of a line
    GET  /affected?stretch={...}        what a discard or a move would affect, as text; of a run only
    GET  /result/{name}                 a file of the result, once the run ended
    POST /command                       a command as over MQTT; the answer is the reply; of a run only

Events are ``opening`` (first, while the survey is being resumed: station and part), ``plan`` (once, first
or after that, see ``plan.py``), ``replaced`` (plan and messages of a survey that was
placed again; nothing older applies), ``messages`` (pairs of topic and message, as over MQTT;
the topics ``next``, ``notes`` and ``result`` are the page's own, see ``page_topics.py``, and so is
``ascan``, the newest reading of the gauge some seven times a second, see ``gauge_json.py``), ``pixels`` (the
probe's position and the changed pixels, see ``pyramid.py``), ``stale`` (fetch the tiles again) and
``beat`` (the daemon runs).
"""

from __future__ import annotations

import ipaddress
import zlib

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.convertors import IntegerConvertor, register_url_convertor
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from swathe.messages import CommandMessage, StretchSnapshot
from swathe.messages.bounded_json import parse_json
from swathe.page.access import Access
from swathe.page.entrance import Entrance, first_problems, refused
from swathe.page.guard import MAX_BODY_BYTES, Guard, read_json
from swathe.page.hub import Hub
from swathe.page.pyramid import pack_tile
from swathe.page.readings import cell_reading, line_profile
from swathe.page.result import Result
from swathe.page.source import Source
from swathe.page.stream import Events

__all__ = ["build_app"]

_MIN_PACKED_BYTES = 1000


class _Number(IntegerConvertor):
    """A number in a path; one of thousands of digits is none, as Python refuses to read it."""

    regex = "[0-9]{1,30}"


register_url_convertor("number", _Number())


def build_app(
    source: Source, hub: Hub, access: Access, result: Result, *, read_only: bool = False
) -> Starlette:
    """Return the page as an ASGI application.

    Args:
        source: the daemon.
        hub: publishes changes to the viewers; its `run` must be running.
        access: who may do what.
        result: files of the run's result, once it ended.
        read_only: whether the page is of a finished survey: there are no commands then.
    """
    pages = _Pages(source, hub, result)
    entrance = Entrance(access, "index.html", read_only=read_only)
    of_a_run = [
        Route("/affected", pages.affected),
        Route("/command", pages.command, methods=["POST"]),
    ]

    return Starlette(
        routes=[
            *entrance.routes("/"),
            Route("/setup", _no_setup),
            Route("/events", Events(hub.mailbox, hub.first_event)),
            Route("/tiles/{level:number}/{row:number}/{column:number}", pages.tile),
            Route("/cell/{row:number}/{column:number}", pages.cell),
            Route("/line/{row:number}", pages.line),
            Route("/result/{name}", pages.result),
            *([] if read_only else of_a_run),
        ],
        middleware=[Middleware(Guard, access=access)],
        exception_handlers={LookupError: _not_found},
    )


class _Pages:
    def __init__(self, source: Source, hub: Hub, result: Result) -> None:
        self._source = source
        self._hub = hub
        self._result = result

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

    async def result(self, request: Request) -> Response:
        """Return a file of the result, to be saved."""
        file = self._result.take(request.path_params["name"])
        headers = {"content-disposition": f'attachment; filename="{file.name}"'}
        return Response(file.data, media_type=file.media_type, headers=headers)

    async def affected(self, request: Request) -> Response:
        """Return what a discard or a move of a stretch, JSON as in the command, would affect."""
        text = request.query_params.get("stretch", "")
        try:
            given = parse_json(text.encode("utf-8", "surrogatepass"), limit=MAX_BODY_BYTES)
            stretch = StretchSnapshot.model_validate(given)
        except ValidationError as error:
            return JSONResponse({"error": first_problems(error)}, 400)
        except ValueError as error:
            return refused(error)
        return JSONResponse({"affected": self._source.affected(stretch)})

    async def command(self, request: Request) -> Response:
        """Execute a command and return the reply."""
        try:
            command = CommandMessage.model_validate(await read_json(request))
        except ValidationError as error:
            return JSONResponse({"error": first_problems(error)}, 400)
        except ValueError as error:
            return refused(error)
        reply = await self._source.execute(command)
        return Response(reply.model_dump_json(by_alias=True), media_type="application/json")


async def _no_setup(request: Request) -> Response:
    """Lead to the page of the run: the set-up view is there before it."""
    del request
    return RedirectResponse("/", 302)


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
