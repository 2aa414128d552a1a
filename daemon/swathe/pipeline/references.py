"""References that operators gave: where the probe rested, and by whose word."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

__all__ = ["Reference"]


@dataclass(frozen=True, slots=True)
class Reference:
    """A position that an operator set; mm, None for an axis that was left.

    Attributes:
        time: ns UTC.
        scan: position on the scan axis.
        index: position on the index axis.
        by: who set it.
        mark: name of the mark of the station file that was given; empty without one.
    """

    time: int
    scan: float | None
    index: float | None
    by: str
    mark: str

    @classmethod
    def from_detail(cls, detail: dict[str, Any], time: int) -> Reference:
        """Return the reference that a mark's detail describes."""
        scan, index = (
            None if detail.get(axis) is None else float(detail[axis]) for axis in ("scan", "index")
        )
        return cls(time, scan, index, str(detail.get("by", "")), str(detail.get("mark", "")))
