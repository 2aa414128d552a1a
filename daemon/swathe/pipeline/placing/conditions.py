"""Conditions of the devices that require attention: what an alarm is raised for.

What follows a device's records finds when a condition begins and ends, by the journal's time; what
the daemon notices of its surroundings (disk, network, page) is a mark.
"""

from __future__ import annotations

from dataclasses import dataclass

from swathe.journal import Mark
from swathe.station import AlarmKind

__all__ = ["Condition", "Span"]

Span = tuple[float, float]
"""An extent on an axis, mm."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A change of a condition: from `known` on it holds, with this text, or holds no longer.

    Attributes:
        kind: of the alarm.
        of: the device, axis or place; empty for the survey.
        known: journal time of the change, ns.
        holds: whether it holds from then on.
        detail: the alarm's text; of no effect where it does not hold.
        scan: extent on the scan axis when it began, mm; None without one.
        index: likewise on the index axis.
        since: when what it rests on began, host time in ns; None for `known`.
    """

    kind: AlarmKind
    of: str
    known: int
    holds: bool
    detail: str = ""
    scan: Span | None = None
    index: Span | None = None
    since: int | None = None

    @classmethod
    def of_mark(cls, mark: Mark) -> Condition:
        """Return the condition of a mark of kind `HEALTH`."""
        detail = mark.detail
        return cls(
            kind=AlarmKind(detail["about"]),
            of=str(detail["of"]),
            known=mark.time,
            holds=bool(detail["holds"]),
            detail=str(detail["detail"]),
        )
