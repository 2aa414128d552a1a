"""What is known of a station from which nothing arrives any more: since when, and what it did then."""

from __future__ import annotations

from datetime import datetime

from swathe.board.stations import StationView
from swathe.board.texts import age_text
from swathe.messages import STATE_WORDS

__all__ = ["lost_lines"]


def lost_lines(view: StationView, now: float, wall: datetime) -> list[str]:
    """Return what is known of a station that the broker lost or that is silent; none of another.

    A crawler comes first. That a run has ended is not known from here: its network may be down.

    Args:
        view: its newest messages.
        now: monotonic seconds.
        wall: the time of day.
    """
    state = view.state
    if state is None:
        return []
    if state.state == "offline":
        what, why = STATE_WORDS["offline"], "killed, or without power or network"
    elif view.is_stale(now, wall):
        what, why = "NO MESSAGE", "is the station up?"
    else:
        return []
    age = view.age(now, wall)
    if view.newest is None or age is None:
        return [*_crawler_lines(view), f"{what}: no earlier message of it is known; {why}"]
    last = f"since {view.newest:%Y-%m-%d %H:%M:%S} UTC, {age_text(age)} ago"
    before = view.last_state
    did = "" if before is None else f"; it was {STATE_WORDS[before.state]} then"
    return [*_crawler_lines(view), f"{what} {last}{did}: {why}"]


def _crawler_lines(view: StationView) -> list[str]:
    crawler = view.crawler
    if crawler is None or crawler.state == "ended":
        return []
    if crawler.armed or crawler.moving:
        was = f"it was {crawler.state}, more is not known"
        return [f"THE CRAWLER MAY BE MOVING: {was}; use its hard-wired stop if it must not move"]
    return [f"the crawler was at rest, {crawler.state}, in the last message of it"]
