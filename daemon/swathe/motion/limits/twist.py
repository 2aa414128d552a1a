"""The twist of a cable that is wound up as a crawler goes round a pipe.

A position on a wrapped axis is kept as the machine counts it, not modulo the circumference: one
turn on is one circumference further. Twist is then a matter of travel limits: the position stays
within so many circumferences to either side of where the cable hangs free.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from swathe.motion.errors import MotionError
from swathe.station import Axis

__all__ = ["Twist"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Twist:
    """How far a cable may be twisted.

    Attributes:
        axis: which axis goes round.
        circumference: mm.
        free_at: position at which the cable is not twisted, mm.
        turns: most turns to either side.
    """

    axis: Literal["scan", "index"]
    circumference: float
    free_at: float
    turns: float

    @classmethod
    def of(cls, axis: Axis, *, turns: float, free_at: float | None = None) -> Twist:
        """Return the limit of a wrapped axis; free at its first cell unless given.

        Raises:
            MotionError: the axis closes upon nothing, or the limit is not above 0; give a limit
                only for a circumference.
        """
        if not axis.wrapped:
            remedy = 'give a limit of turns only to an axis with mode = "wrapped"'
            raise MotionError(f"the {axis.name} axis must be a circumference", remedy=remedy)
        if not turns > 0:
            remedy = "give at least half a turn to either side, which reaches all round"
            raise MotionError(f"the limit of turns must be > 0 (got {turns!r})", remedy=remedy)
        return cls(
            axis="scan" if axis.name == "scan" else "index",
            circumference=axis.cells * axis.resolution,
            free_at=axis.start if free_at is None else free_at,
            turns=turns,
        )

    @property
    def extent(self) -> tuple[float, float]:
        """Lowest and highest position that the cable allows, mm."""
        reach = self.turns * self.circumference
        return self.free_at - reach, self.free_at + reach

    def turns_at(self, position: float) -> float:
        """Return by how many turns the cable is twisted at a position in mm; signed."""
        return (position - self.free_at) / self.circumference
