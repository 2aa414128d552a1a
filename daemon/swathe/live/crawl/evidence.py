"""What a fault of a crawler rests on: the measured value, its limit, and the likely cause."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from swathe.display_units import DisplayUnits
from swathe.motion import Event

__all__ = ["NO_EVIDENCE", "Evidence", "GuardFault", "likely_cause"]

# A shorter way shows nothing of what moves. Shares of the motor's way. (Our choice, no source.)
_SHOWN_MM = 0.5
_STALLED, _FULL = 0.1, 0.98


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a fault rests on.

    Attributes:
        measured: the value that is beyond the limit; None where the fault is no such value.
        limit: of the station file.
        unit: of both, mm or ms.
        likely: likely cause; empty where nothing suggests one.
    """

    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    likely: str = ""


NO_EVIDENCE = Evidence()


class GuardFault(NamedTuple):
    """What a guard found wrong: the event, what was seen, and what that rests on."""

    event: Event
    seen: str
    evidence: Evidence = NO_EVIDENCE

    def text(self, units: DisplayUnits) -> str:
        """Return it in words, with its limit and its likely cause; lengths are written in `units`."""
        evidence, limit = self.evidence, ""
        if evidence.limit is not None:
            is_length = evidence.unit == "mm"
            value = units.place_text(evidence.limit) if is_length else f"{evidence.limit:,.0f} ms"
            limit = f", limit {value}"
        likely = f"; likely: {evidence.likely}" if evidence.likely else ""
        return f"{self.seen}{limit}{likely}"


def likely_cause(motor: float, encoder: float) -> str:
    """Return what probably parted motor and encoder; empty where their ways show nothing.

    The shares are common practice without a source: wheels that slip turn the encoder less than the
    motor, and a motor that has lost steps, or a crawler that is held fast, not at all.

    Args:
        motor: way that the machine reports since the two last agreed, mm.
        encoder: way that the encoder measured meanwhile, mm.
    """
    if abs(motor) < _SHOWN_MM:
        if abs(encoder) < _SHOWN_MM:
            return ""
        return "the probe moves while the motor rests: it slides, or somebody pushes it"
    share = encoder / motor
    if share < -_STALLED:
        return "the encoder counts the other way round, or something drags the crawler back"
    if share < _STALLED:
        return (
            "the motor is stalled or the crawler held fast; or the encoder's wheel does not turn, "
            "or its cable is off"
        )
    if share < _FULL:
        return f"wheel slip: the encoder moved {100 * share:.0f} % of the motor's way"
    return "the crawler slides ahead, or one of the two scales is wrong"
