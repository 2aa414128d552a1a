"""Slip: where two sources of one axis's position diverge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.pipeline.placing.track import EncodedTrack

__all__ = ["Slip", "SlipWatch"]


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip.

    Attributes:
        time: when it was noticed, ns on the host's clock.
        position: of the first source then, mm.
        distance: by which the first source fell behind the second (below zero) or ran ahead, mm.
    """

    time: int
    position: float
    distance: float


class SlipWatch:
    """Compares two tracks of one axis over time.

    Their first difference does not matter, nor which of them slips: only that the difference
    changes by more than the tolerance. After a slip the new difference is the reference.

    Args:
        first: the track that places readings.
        second: the other one.
        tolerance: mm.
    """

    def __init__(self, first: EncodedTrack, second: EncodedTrack, tolerance: float) -> None:
        self._first = first
        self._second = second
        self._tolerance = tolerance
        self._apart: float | None = None

    def restart(self) -> None:
        """Take the next difference as the reference: the first track was set to a position."""
        self._apart = None

    def look(self) -> Slip | None:
        """Compare both at the newest time that both cover; return a slip, if there is one."""
        ends = (self._first.last_time, self._second.last_time)
        if ends[0] is None or ends[1] is None:
            return None
        time = min(ends[0], ends[1])
        at = np.array([time], np.int64)
        first, second = self._first.locate(at), self._second.locate(at)
        self._second.forget_before(time)
        if not (first.known[0] and second.known[0]):
            return None
        apart = float(first.position[0] - second.position[0])
        if self._apart is None:
            self._apart = apart
        change = apart - self._apart
        if abs(change) <= self._tolerance:
            return None
        self._apart = apart
        return Slip(time, float(first.position[0]), change)
