"""The page of the set-up view."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.live.setup_bench import SetupBench
from swathe.page.access import Access
from swathe.page.host import PageHost
from swathe.page.setup_feed import SetupFeed
from swathe.station import PageSettings

if TYPE_CHECKING:
    from starlette.types import ASGIApp

__all__ = ["open_setup_page"]


def open_setup_page(bench: SetupBench, settings: PageSettings) -> PageHost:
    """Return the page of a set-up, which is being served.

    Args:
        bench: the set-up.
        settings: the station file's ``[page]``.

    Raises:
        SwatheError: the token's environment variable is not set, or its token is easily guessed.
    """
    feed = SetupFeed(bench.state)

    def build(access: Access) -> ASGIApp:
        from swathe.page.setup_app import build_setup_app

        return build_setup_app(bench, feed, access)

    page = PageHost(settings, feed, module="swathe.page.setup_app", build=build, path="setup")
    page.open()
    return page
