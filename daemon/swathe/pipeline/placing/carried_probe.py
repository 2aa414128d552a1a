"""A probe that a hand carries from the part: what its counters do meanwhile means nothing."""

from __future__ import annotations

from swathe.pipeline.placing.encoded_axis import EncodedAxis
from swathe.pipeline.placing.slip import PositionSet, Slip

__all__ = ["CarriedProbe"]

Position = tuple[float | None, float | None]


class CarriedProbe:
    """When a hand took the probe from the part, and where that was."""

    def __init__(self) -> None:
        self._left: tuple[int, Position] | None = None

    def leave(self, time: int, position: Position) -> None:
        """Take note that the probe leaves the part at a journal time, ns, and a position, mm."""
        self._left = time, position

    def counted(self, events: list[Slip | PositionSet]) -> list[Slip | PositionSet]:
        """Return the events that count: in a hand two sources turn as they like, and neither slips."""
        if self._left is None:
            return events
        left = self._left[0]
        return [one for one in events if not isinstance(one, Slip) or one.time < left]

    def put_down(self) -> Position | None:
        """Take note that the probe is to be put down again; return where it left the part.

        None where it did not leave it.
        """
        left, self._left = self._left, None
        return None if left is None else left[1]

    @staticmethod
    def why_lost(axis: EncodedAxis, before: float | None, now: float | None) -> str:
        """Return why the position on an axis is lost, with whether its counter has moved, mm."""
        why = "the probe was carried to the block"
        if before is None or now is None:
            return why
        still = abs(now - before) <= axis.same_within
        return f"{why}, its counter {'is where it was' if still else 'counted on meanwhile'}"
