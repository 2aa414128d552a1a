"""Where a machine reports that its motors are."""

from __future__ import annotations

from dataclasses import dataclass

from swathe.motion import Point
from swathe_drivers.motion import Receipt

__all__ = ["MachineReport", "receipt_text"]


@dataclass(frozen=True, slots=True)
class MachineReport:
    """The newest report of the machine.

    Attributes:
        time: host time at which it was received, ns.
        place: of its motors, (scan, index) in mm; index is 0 where there is none.
        asked: host time of the question, ns; it was there between the two.
        moving: whether it reports motion; None while it has not.
    """

    time: int
    place: Point
    asked: int
    moving: bool | None = None

    def at(self, axis: str) -> float:
        """Return the place on an axis, mm."""
        return self.place[0] if axis == "scan" else self.place[1]


def receipt_text(receipt: Receipt | None) -> str:
    """Return what became of a command, in words."""
    return "not sent" if receipt is None else receipt.words
