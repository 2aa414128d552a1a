"""All stations of a broker as rows of a page: what each does, how far it is, and when its last message came."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from swathe.board import StationView
from swathe.board.lost_station import lost_lines
from swathe.board.run_state import crawler_lines, state_lines
from swathe.board.stations import STALE_SECONDS
from swathe.board.texts import alarm_text, coverage_text, state_text
from swathe.pipeline.progress.fields import count_text

__all__ = ["MOST_STATIONS", "station_row", "stations_summary", "time_text"]

MOST_STATIONS = 500
"""Rows of the page: anybody may publish on a broker that allows it."""

_ALARMS = 3
_ENDED = ("complete", "incomplete")


def station_row(
    view: StationView, now: float, wall: datetime, *, connected: float | None
) -> dict[str, Any]:
    """Return a station as JSON values.

    That it is silent is only stated where the broker would have handed over what it sends.

    Args:
        view: its newest messages.
        now: monotonic seconds.
        wall: the time of day of this computer.
        connected: since when the broker is connected, monotonic seconds; None while it is not.
    """
    progress = view.progress
    lost = _lost(view, now, wall, connected)
    alarms, new = view.raised_alarms, len(view.new_alarms)
    kind = "lost" if lost else "alarm" if new else "ended" if _has_ended(view) else "work"
    if not lost and view.state is not None and view.state.state in ("waiting", "faulted"):
        kind = "alarm"
    plan = view.plan
    return {
        "name": view.name,
        "part": "" if view.state is None else view.state.part,
        "kind": kind,
        "state": state_text(view),
        "lost": lost,
        "lines": [text for text, _ in state_lines(view)] + crawler_lines(view.crawler),
        "covered": None if progress is None else progress.percent,
        "coverage": "no progress known" if progress is None else coverage_text(progress),
        "alarms": [alarm_text(alarm, plan) for alarm in alarms[:_ALARMS]],
        "more_alarms": max(len(alarms) - _ALARMS, 0),
        "received": _received(view, now, wall),
    }


def _lost(view: StationView, now: float, wall: datetime, connected: float | None) -> list[str]:
    """Return what is known of a station that the broker lost or that is silent, else nothing."""
    if connected is None:
        return []
    if view.state is None or view.state.state == "offline":
        return lost_lines(view, now, wall)
    # What it sent while the broker was away did not arrive: its silence counts from then on.
    since = connected if view.received is None else max(view.received, connected)
    quiet = view.is_stale(now, wall) and now - since > STALE_SECONDS
    return lost_lines(view, now, wall) if quiet else []


def _received(view: StationView, now: float, wall: datetime) -> str:
    """Return when the last message came, or what is known where none came since this began."""
    if view.received is not None:
        at = wall - timedelta(seconds=now - view.received)
        return f"last message {time_text(at)}"
    if view.newest is None:
        return "nothing received"
    return (
        f"nothing received yet; its last message is of {time_text(view.newest)}, by its own clock"
    )


def time_text(time: datetime) -> str:
    """Return a time as in the lines of a lost station."""
    return f"{time:%Y-%m-%d %H:%M:%S} UTC"


def _has_ended(view: StationView) -> bool:
    return view.state is not None and view.state.state in _ENDED


def stations_summary(rows: Iterable[dict[str, Any]], count: int) -> str:
    """Return how many stations there are, and how many need a look.

    Args:
        rows: of the stations.
        count: of all stations, with those that have no row.
    """
    kinds = [row["kind"] for row in rows]
    parts = [count_text(count, "station")]
    for kind, words in (("lost", "lost or silent"), ("alarm", "to look at"), ("ended", "ended")):
        if number := kinds.count(kind):
            parts.append(f"{number} {words}")
    if count > len(kinds):
        parts.append(f"{count - len(kinds)} are not listed")
    return " · ".join(parts)
