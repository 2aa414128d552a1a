"""What was set up for a survey: sensitivity checks, and gates changed before its runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from swathe.journal import Mark, MarkKind
from swathe.pipeline.checks.sensitivity import SensitivityCheck

__all__ = ["SETUP_MARKS", "GatesChanged", "SetupHistory"]

SETUP_MARKS = (MarkKind.SENSITIVITY, MarkKind.GATES_CHANGED)
"""Marks of which the history consists; no cell depends on them."""


@dataclass(frozen=True, slots=True)
class GatesChanged:
    """Gates that were changed in the set-up view and written into the station file.

    Attributes:
        time: when, ns UTC.
        by: who changed them.
        changes: each key with its value before and after, as text.
    """

    time: int
    by: str
    changes: tuple[str, ...]

    @classmethod
    def from_detail(cls, detail: dict[str, Any], time: int) -> GatesChanged:
        """Return what a mark's detail describes; `time` is that of the mark, ns UTC."""
        changes = tuple(str(one) for one in detail["changes"])
        return cls(int(detail.get("made", time)), str(detail["by"]), changes)


class SetupHistory:
    """Takes the marks of sensitivity checks and changed gates.

    Attributes:
        checks: in the order in which they were journalled.
        gates: changed, likewise.
        entries: identities of the entries of a set-up log that the journal has.
    """

    def __init__(self) -> None:
        self.checks: list[SensitivityCheck] = []
        self.gates: list[GatesChanged] = []
        self.entries: set[str] = set()

    def take(self, mark: Mark, time: int) -> None:
        """Take a mark; `time` is its time, ns UTC."""
        if mark.kind is MarkKind.SENSITIVITY:
            self.checks.append(SensitivityCheck.from_detail(mark.detail, time))
        else:
            self.gates.append(GatesChanged.from_detail(mark.detail, time))
        if (entry := mark.detail.get("id")) is not None:
            self.entries.add(str(entry))
