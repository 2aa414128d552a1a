"""What a filter of encoder samples decides, and from which sample on that is known."""

from __future__ import annotations

from dataclasses import dataclass, field

from swathe.arrays import Bools, Ints
from swathe.pipeline.placing.probe_limits import Sample

__all__ = ["Fates", "FilterEvent", "Verdicts"]


@dataclass(frozen=True, slots=True)
class FilterEvent:
    """A position was lost, or found again.

    Attributes:
        by: number of the sample, of those given last, that shows it.
        lost: whether it was lost.
        last: the last good sample before it was lost.
        jump: from that to the sample that shows it, mm.
    """

    by: int
    lost: bool
    last: Sample
    jump: float


@dataclass(frozen=True, slots=True)
class Verdicts:
    """On the samples that waited and those given last, as far as they are decided, in order.

    Attributes:
        good: shape (m,).
        by: number of the sample, of those given last, that decided it, shape (m,).
        resets: whether no position is known between a good sample and the good one before, shape
            (m,).
        events: in order.
    """

    good: Bools
    by: Ints
    resets: Bools
    events: list[FilterEvent]


@dataclass(slots=True)
class Fates:
    """Verdicts as they are made; the arrays have room for every sample that may be decided."""

    good: Bools
    by: Ints
    resets: Bools
    number: int = 0
    events: list[FilterEvent] = field(default_factory=list)

    def add(self, count: int, by: int | Ints, *, good: bool, reset: bool = False) -> None:
        """Add the fate of the next `count` samples, which the sample `by` decides."""
        some = slice(self.number, self.number + count)
        self.good[some], self.by[some] = good, by
        if reset and count:
            self.resets[self.number] = True
        self.number += count

    def verdicts(self) -> Verdicts:
        """Return all that was added."""
        number = self.number
        return Verdicts(self.good[:number], self.by[:number], self.resets[:number], self.events)
