"""The routes of the set-up view.

::

    GET  /setup                 the view
    GET  /static/...            its scripts and styles
    POST /session               {"token": ...}: a cookie in exchange for the token
    GET  /setup/events          server-sent events ``messages``: ``["setup", state]``
    POST /setup/command         a `SetupCommand`; the answer is ``accepted`` and ``detail``
"""

from __future__ import annotations

from typing import Literal, Protocol

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from swathe.board.setup_state import refusal_text
from swathe.errors import SwatheError
from swathe.page.access import Access
from swathe.page.entrance import Entrance, first_problems, refused
from swathe.page.guard import Guard, read_json
from swathe.page.setup_feed import SetupFeed
from swathe.page.stream import Events
from swathe.station.editing import GATE_KEYS

__all__ = ["SetupCommand", "SetupWork", "build_setup_app"]


class SetupCommand(BaseModel):
    """What is done from the set-up view."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    action: Literal["change", "step", "revert", "save", "sensitivity"]
    by: str = Field("", max_length=80)
    gate: str = Field("", max_length=64)
    key: str = Field("", max_length=20)
    value: str = Field("", max_length=80)
    direction: Literal[-1, 1] = 1


class SetupWork(Protocol):
    """A set-up, as the view acts on it. Where it is refused, `SwatheError` gives the reason."""

    def change(self, gate: str, key: str, value: str) -> str:
        """Change a key of a gate; return what was done."""
        ...

    def step(self, gate: str, key: str, direction: int) -> str:
        """Change a key by a step; return what was done."""
        ...

    def revert(self) -> str:
        """Undo what is not in the file; return what was done."""
        ...

    def save(self, by: str) -> str:
        """Write the gates into the station file; return what was done."""
        ...

    async def check_sensitivity(self, by: str) -> str:
        """Read the reference echo; return the result."""
        ...


def build_setup_app(work: SetupWork, feed: SetupFeed, access: Access) -> Starlette:
    """Return the set-up view as an ASGI application.

    Args:
        work: the set-up.
        feed: publishes its state to the viewers.
        access: who may do what.
    """

    async def command(request: Request) -> Response:
        try:
            given = SetupCommand.model_validate(await read_json(request))
        except ValidationError as error:
            return JSONResponse({"error": first_problems(error)}, 400)
        except ValueError as error:
            return refused(error)
        try:
            detail = await _act(work, given)
        except SwatheError as error:
            return JSONResponse({"accepted": False, "detail": refusal_text(error)})
        finally:
            feed.publish()
        return JSONResponse({"accepted": True, "detail": detail})

    async def lead(request: Request) -> Response:
        del request
        return RedirectResponse("/setup", 302)

    return Starlette(
        routes=[
            *Entrance(access, "setup.html").routes("/setup"),
            Route("/", lead),
            Route("/setup/events", Events(feed.mailbox, feed.first_event)),
            Route("/setup/command", command, methods=["POST"]),
        ],
        middleware=[Middleware(Guard, access=access)],
    )


async def _act(work: SetupWork, command: SetupCommand) -> str:
    """Do what a command says; return what was done."""
    by = command.by.strip()
    if command.action in ("save", "sensitivity") and not by:
        msg = "'by' is required: who does it is recorded"
        raise SwatheError(msg)
    match command.action:
        case "change" | "step" if command.key not in GATE_KEYS:
            msg = f"'key' must be one of {', '.join(GATE_KEYS)}"
            raise SwatheError(msg)
        case "change":
            return work.change(command.gate, command.key, command.value)
        case "step":
            return work.step(command.gate, command.key, command.direction)
        case "revert":
            return work.revert()
        case "save":
            return work.save(by)
        case _:
            return await work.check_sensitivity(by)
