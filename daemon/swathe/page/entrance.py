"""The routes that every page has: its document, its scripts and styles, and the token's exchange."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from swathe.page.access import Access
from swathe.page.guard import BodyError, peer_of_scope, read_json
from swathe.page.wrong_tokens import TOO_MANY_GUESSES

__all__ = ["Entrance", "first_problems", "refused"]

_STATIC = Path(str(files("swathe.page").joinpath("static")))


class Entrance:
    """Serves a page's document and lets viewers in.

    Args:
        access: who may do what.
        document: name of the file in ``static``.
        read_only: whether the page is of a finished survey, and has no commands.
    """

    def __init__(self, access: Access, document: str, *, read_only: bool = False) -> None:
        self._access = access
        # Read once: a file that is read for each request would be read in a thread for each.
        self._document = (_STATIC / document).read_bytes()
        if read_only:
            self._document = self._document.replace(b"<html ", b"<html data-view ", 1)
        self._picture = (_STATIC / "icon.svg").read_bytes()

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
        headers = {"cache-control": "no-cache"}
        return Response(self._document, media_type="text/html", headers=headers)

    async def _icon(self, request: Request) -> Response:
        del request
        return Response(self._picture, media_type="image/svg+xml")

    async def _session(self, request: Request) -> Response:
        """Return a cookie in exchange for the token."""
        try:
            given = await read_json(request)
        except ValueError as error:
            return refused(error)
        token = given.get("token") if isinstance(given, dict) else None
        cookie = self._access.login(token) if isinstance(token, str) else None
        if cookie is None:
            status, reason = 403, "wrong token"
            if not await self._access.wrong.delay(peer_of_scope(request.scope), "token"):
                status, reason = TOO_MANY_GUESSES
            return JSONResponse({"error": reason}, status, {"connection": "close"})
        return Response(status_code=204, headers={"set-cookie": cookie})


def first_problems(error: ValidationError) -> str:
    """Return the first problems of a request as text."""
    problems = error.errors(include_url=False, include_input=False, include_context=False)
    return "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in problems[:3])


def refused(error: ValueError) -> Response:
    """Return the answer to a request whose body is too long or late, or no JSON."""
    if isinstance(error, BodyError):
        return JSONResponse({"error": str(error)}, error.status, {"connection": "close"})
    return JSONResponse({"error": f"must be JSON: {error}"}, 400)
