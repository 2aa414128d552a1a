"""What the crawler did, and what it should not have done; the truth that tests ask."""

from __future__ import annotations

import threading
import time
from dataclasses import asdict, dataclass
from typing import Any, Literal

Kind = Literal[
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
]


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened.

    Attributes:
        kind: what.
        world_time_s: when, since the world was switched on; NaN before the motion began.
        host_time_ns: monotonic clock of the host when it was recorded.
        scan_mm: where the crawler truly was.
        index_mm: likewise.
        text: more about it.
    """

    kind: Kind
    world_time_s: float
    host_time_ns: int
    scan_mm: float
    index_mm: float
    text: str = ""


class CrawlerRecord:
    """All happenings so far; readable from any thread.

    - `crossed`: it ran into the end of its travel.
    - `entered`: it went into a forbidden zone.
    - `stop`, `rest`: a stop arrived; it stood still at last, with the way in between.
    - `asked_after_stop`: a move was asked for between a stop and the next enabling.
    - `moved_after_stop`: such a move was made.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._happenings: list[Happening] = []

    def add(
        self, kind: Kind, world_time_s: float, scan: float, index: float, text: str = ""
    ) -> None:
        """Record one more."""
        happening = Happening(kind, world_time_s, time.monotonic_ns(), scan, index, text)
        with self._lock:
            self._happenings.append(happening)

    def all(self, *kinds: Kind) -> list[Happening]:
        """Return all of some kinds, or of every kind if none is named."""
        with self._lock:
            return [h for h in self._happenings if not kinds or h.kind in kinds]

    @property
    def harm(self) -> list[Happening]:
        """What must never happen: limits crossed, zones entered, motion after a stop."""
        return self.all("crossed", "entered", "moved_after_stop")

    def plain(self) -> list[dict[str, Any]]:
        """Return all as plain JSON data."""
        return [asdict(happening) for happening in self.all()]
