"""What persons decided about doubtful values: real, or spurious."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from swathe.journal import MarkKind
from swathe.pipeline.spurious.lone import MIN_SHARE

__all__ = ["Decision"]


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's decision about the value of a cell; the newest one of a cell is in force.

    Attributes:
        is_real: whether the value counts as confirmed; if not, it stays doubtful.
        value: that it was about, mm.
        by: who decided.
        reason: why.
        time: when, ns UTC.
    """

    is_real: bool
    value: float
    by: str
    reason: str
    time: int

    @classmethod
    def of_mark(cls, kind: MarkKind, detail: Mapping[str, Any], time: int) -> Decision:
        """Return the decision of a mark at `time`, ns UTC."""
        return cls(
            is_real=kind is MarkKind.CONFIRMED,
            value=float(detail["thickness"]),
            by=str(detail["by"]),
            reason=str(detail["text"]),
            time=time,
        )

    def is_about(self, value: float) -> bool:
        """Return whether a value, mm, is what the person decided about: within 3 % of it."""
        return abs(value - self.value) <= MIN_SHARE * self.value
