"""The routes that every page has: its document, its scripts and styles, and the token's exchange."""

from __future__ import annotations

import asyncio
from importlib.resources import files
from pathlib import Path

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from swathe.page.access import Access
from swathe.page.guard import TooLongError, read_json

__all__ = ["Entrance", "first_problems", "refused"]

_STATIC = Path(str(files("swathe.page").joinpath("static")))
# A wrong token is answered late, so that guessing is slow.
_WRONG_TOKEN_SECONDS = 0.5


class Entrance:
    """Serves a page's document and lets viewers in.

    Args:
        access: who may do what.
        document: name of the file in ``static``.
    """

    def __init__(self, access: Access, document: str) -> None:
        self._access = access
        self._document = document

    def routes(self, path: str) -> list[BaseRoute]:
        """Return the routes, with the document at `path`."""
        return [
            Route(path, self._home),
            Route("/favicon.ico", self._icon),
            Route("/session", self._session, methods=["POST"]),
            Mount("/static", StaticFiles(directory=_STATIC)),
        ]

    async def _home(self, request: Request) -> Response:
        del request
        return FileResponse(_STATIC / self._document, headers={"cache-control": "no-cache"})

    async def _icon(self, request: Request) -> Response:
        del request
        return FileResponse(_STATIC / "icon.svg", media_type="image/svg+xml")

    async def _session(self, request: Request) -> Response:
        """Return a cookie in exchange for the token."""
        try:
            given = await read_json(request)
        except ValueError as error:
            return refused(error)
        token = given.get("token") if isinstance(given, dict) else None
        cookie = self._access.login(token) if isinstance(token, str) else None
        if cookie is None:
            await asyncio.sleep(_WRONG_TOKEN_SECONDS)
            return JSONResponse({"error": "wrong token"}, 403)
        return Response(status_code=204, headers={"set-cookie": cookie})


def first_problems(error: ValidationError) -> str:
    """Return the first problems of a request as text."""
    problems = error.errors(include_url=False, include_input=False, include_context=False)
    return "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in problems[:3])


def refused(error: ValueError) -> Response:
    """Return the answer to a request whose body is too long, or no JSON."""
    if isinstance(error, TooLongError):
        return JSONResponse({"error": str(error)}, 413, {"connection": "close"})
    return JSONResponse({"error": f"must be JSON: {error}"}, 400)
