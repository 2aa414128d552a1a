"""Conditions of the devices that require attention: what an alarm is raised for.

Whoever follows a device's records finds when a condition begins and ends, by the journal's time.
"""

from __future__ import annotations

from dataclasses import dataclass

from swathe.station import AlarmKind

__all__ = ["Condition", "Span"]

Span = tuple[float, float]
"""An extent on an axis, mm."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A change of a condition: from `known` on it holds, with this text, or holds no longer.

    Attributes:
        kind: of the alarm.
        of: the device or axis; empty for the survey.
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
