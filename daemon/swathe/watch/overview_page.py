"""The page over all stations of a broker, served by a watcher."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from swathe.board import Stations
from swathe.page.host import PageHost
from swathe.page.overview_feed import OverviewFeed
from swathe.station import PageSettings
from swathe.watch.link import WatchLink
from swathe.watch.overview import (
    MOST_STATIONS,
    station_row,
    stations_summary,
    time_text,
)

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from swathe.page.access import Access

__all__ = ["OverviewPage"]


class OverviewPage(PageHost):
    """Serves the overview; open, then close.

    Args:
        settings: where it is served, and with which token.
        stations: the newest messages of all of them.
        link: to the broker.
        clock: monotonic seconds.
        wall: the time of day.

    Raises:
        SwatheError: the token's environment variable is not set, or its token is easily guessed.
    """

    def __init__(
        self,
        settings: PageSettings,
        stations: Stations,
        link: WatchLink,
        *,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._stations, self._link = stations, link
        self._clock, self._wall = clock, wall
        self._overview = OverviewFeed(self.topics)
        super().__init__(
            settings, self._overview, module="swathe.page.overview_app", build=self._app
        )

    def topics(self) -> dict[str, Any]:
        """Return all that is shown, by topic: JSON values."""
        now, wall, link = self._clock(), self._wall(), self._link
        views = self._stations.views
        connected = link.since if link.state == "connected" else None
        rows = [station_row(view, now, wall, connected=connected) for view in views[:MOST_STATIONS]]
        since = wall.timestamp() - (now - link.since)
        broker = {
            "address": link.address,
            "connected": connected is not None,
            "state": link.state,
            "detail": link.detail,
            "since": time_text(datetime.fromtimestamp(since, UTC)),
        }
        summary = stations_summary(rows, len(views)) if views else "no message of a station yet"
        return {
            "broker": broker,
            "summary": summary,
            **{f"station/{row['name']}": row for row in rows},
        }

    def _app(self, access: Access) -> ASGIApp:
        from swathe.page.overview_app import build_overview_app

        return build_overview_app(self._overview, access)
