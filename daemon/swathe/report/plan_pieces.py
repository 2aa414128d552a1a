"""Gaps and zones within the borders of a plan: in pieces over a seam, and by their letters."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, count
from string import ascii_uppercase

from swathe.messages import Extent, GapMessage
from swathe.pipeline import GapEnd
from swathe.store import SurveyRecord

__all__ = ["is_shown", "pieces", "within", "zone_letters"]


def pieces(
    record: SurveyRecord, scan: Extent | None, index: Extent | None
) -> list[tuple[Extent, Extent]]:
    """Return a rectangle in pieces within the borders of the plan: over a seam it has two or four.

    None is the whole of an axis; without a plan in the record only a rectangle without None has
    pieces.
    """
    plan = record.plan
    if plan is None:
        return [(scan, index)] if scan is not None and index is not None else []
    return [
        (along, across)
        for along in within(plan.scan if scan is None else scan, plan.scan, plan.scan_turn)
        for across in within(plan.index if index is None else index, plan.index, plan.index_turn)
    ]


def within(extent: Extent, borders: Extent, turn: Extent | None) -> list[Extent]:
    """Return an extent in pieces within the borders of its axis, of which `turn` may be a turn."""
    length = 0.0 if turn is None else turn.high - turn.low
    shifts = {0.0, -length, length}
    clipped = (
        Extent(max(extent.low + shift, borders.low), min(extent.high + shift, borders.high))
        for shift in sorted(shifts)
    )
    return [piece for piece in clipped if piece.low < piece.high]


def zone_letters() -> Iterator[str]:
    """Return A, B, ... Z, then numbers."""
    return chain(ascii_uppercase, map(str, count(1)))


def is_shown(gap: GapMessage) -> bool:
    """Return whether a gap is open or ended by being measured, not by a merger."""
    return gap.end in (None, GapEnd.MEASURED)
