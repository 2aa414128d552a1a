"""The routes of the overview of all stations; read-only.

::

    GET  /                              the overview
    GET  /static/...                    its scripts and styles
    POST /session                       {"token": ...}: a cookie in exchange for the token
    GET  /events                        server-sent events ``messages``: pairs of topic and contents

Topics are ``broker``, ``summary``, ``beat`` each second, and ``station/NAME``; null is one that is gone.
"""

from __future__ import annotations

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.routing import Route

from swathe.page.access import Access
from swathe.page.entrance import Entrance
from swathe.page.guard import Guard
from swathe.page.overview_feed import OverviewFeed
from swathe.page.stream import Events

__all__ = ["build_overview_app"]


def build_overview_app(feed: OverviewFeed, access: Access) -> Starlette:
    """Return the overview as an ASGI application.

    Args:
        feed: publishes the stations to the viewers.
        access: who may look.
    """
    return Starlette(
        routes=[
            *Entrance(access, "overview.html").routes("/"),
            Route("/events", Events(feed.mailbox, feed.first_event)),
        ],
        middleware=[Middleware(Guard, access=access)],
    )
