"""What the crawler did, and what it should not have done; tests compare with it."""

from __future__ import annotations

import threading
import time
from dataclasses import asdict, dataclass
from typing import Any, Literal

CrawlerEventKind = Literal[
    "crossed",
    "entered",
    "stop",
    "rest",
    "asked_after_stop",
    "moved_after_stop",
    "alarm",
    "refused",
    "slipped",
    "stalled",
    "acknowledgement_lost",
    "garbage",
    "hung_up",
    "homed",
    "restarted",
]


@dataclass(frozen=True, slots=True)
class CrawlerEvent:
    """One event.

    Attributes:
        kind: what.
        world_time_s: when, since the world was switched on; NaN before the motion began.
        host_time_ns: monotonic clock of the host when it was recorded.
        scan_mm: where the crawler truly was.
        index_mm: likewise.
        text: more about it.
    """

    kind: CrawlerEventKind
    world_time_s: float
    host_time_ns: int
    scan_mm: float
    index_mm: float
    text: str = ""


class CrawlerLog:
    """All events so far; readable from any thread.

    - `crossed`: it ran into the end of its travel.
    - `entered`: it went into a forbidden zone.
    - `stop`, `rest`: a stop arrived; it came to rest, with the braking distance in between.
    - `asked_after_stop`: a move was asked for between a stop and the next enabling.
    - `moved_after_stop`: such a move was made.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._events: list[CrawlerEvent] = []

    def add(
        self, kind: CrawlerEventKind, world_time_s: float, scan: float, index: float, text: str = ""
    ) -> None:
        """Record one more."""
        event = CrawlerEvent(kind, world_time_s, time.monotonic_ns(), scan, index, text)
        with self._lock:
            self._events.append(event)

    def all(self, *kinds: CrawlerEventKind) -> list[CrawlerEvent]:
        """Return all of some kinds, or of every kind if none is named."""
        with self._lock:
            return [h for h in self._events if not kinds or h.kind in kinds]

    @property
    def violations(self) -> list[CrawlerEvent]:
        """What must never happen: limits crossed, zones entered, motion after a stop."""
        return self.all("crossed", "entered", "moved_after_stop")

    def plain(self) -> list[dict[str, Any]]:
        """Return all as plain JSON data."""
        return [asdict(event) for event in self.all()]
