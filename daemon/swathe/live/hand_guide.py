"""The next step by hand, for the terminal and the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from swathe.pipeline import Pipeline

if TYPE_CHECKING:
    from swathe.motion import HandStep

__all__ = ["where_by_hand"]


def where_by_hand(
    pipeline: Pipeline,
    at: tuple[float | None, float | None],
    *,
    unit: Literal["mm", "in"] = "mm",
) -> HandStep | None:
    """Return the next step by hand; None where there is no gap.

    Gaps that somebody requested come first, in the order of the requests; then the nearest one.

    Args:
        pipeline: has the open gaps.
        at: position of the probe, scan and index in mm; None where unknown.
        unit: of the text.
    """
    # Imported here: nobody asks before the ports are open.
    from swathe.motion import next_by_hand

    gaps = pipeline.open_gap_snapshots()
    if wanted := [one.number for one in pipeline.requests.gaps]:
        open_ = {gap.number: gap for gap in gaps if gap.number in wanted}
        first = next((open_[number] for number in wanted if number in open_), None)
        gaps = gaps if first is None else [first]
    scan, index = at
    if index is None and pipeline.station.index is None:
        index = pipeline.grid.index.start  # a line profile has one line, and the probe is on it
    position = None if scan is None or index is None else (scan, index)
    return next_by_hand(
        gaps, scan=pipeline.grid.scan, index=pipeline.grid.index, at=position, unit=unit
    )
