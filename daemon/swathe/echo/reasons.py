"""Why the time of an echo may be that of another echo, or of another cycle."""

from __future__ import annotations

from enum import IntFlag

__all__ = ["REASON_TEXTS", "AmbiguityReason"]


class AmbiguityReason(IntFlag):
    """Reasons for an ambiguous time, as bits."""

    NONE = 0
    SECOND_ECHO = 1
    EARLIER_ECHO = 2
    CYCLE = 4
    POLARITY = 8

    @property
    def words(self) -> str:
        """The name of a single reason as words."""
        return (self.name or "").lower().replace("_", " ")


REASON_TEXTS: dict[AmbiguityReason, str] = {
    AmbiguityReason.SECOND_ECHO: "another echo follows in the gate: two levels under the beam?",
    AmbiguityReason.EARLIER_ECHO: "a weaker echo comes before it: a thinner place under the beam?",
    AmbiguityReason.CYCLE: "the next cycle may have been measured: a cycle is an error of half a wavelength",
    AmbiguityReason.POLARITY: "the highest half cycle has the other sign than the gate's polarity",
}
"""What each reason means, for operators."""
