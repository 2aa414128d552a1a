"""Where an inspector goes next by hand, as the terminal and the page tell it."""

from __future__ import annotations

from typing import Literal

from swathe.motion import HandStep, next_by_hand
from swathe.pipeline import Pipeline

__all__ = ["where_by_hand"]


def where_by_hand(
    pipeline: Pipeline,
    at: tuple[float | None, float | None],
    *,
    unit: Literal["mm", "in"] = "mm",
) -> HandStep | None:
    """Return the next thing to do by hand; None where nothing was left behind.

    Gaps that somebody wants scanned again come first, in the order they were asked for; then the
    nearest one.

    Args:
        pipeline: knows the open gaps.
        at: where the probe is, scan and index in mm; None for what is not known.
        unit: of the words.
    """
    gaps = pipeline.open_gap_snapshots()
    if wanted := [one.number for one in pipeline.requests.wanted]:
        asked = {gap.number: gap for gap in gaps if gap.number in wanted}
        first = next((asked[number] for number in wanted if number in asked), None)
        gaps = gaps if first is None else [first]
    scan, index = at
    if index is None and pipeline.station.index is None:
        index = pipeline.grid.index.start  # a line profile has one line, and the probe is on it
    place = None if scan is None or index is None else (scan, index)
    return next_by_hand(
        gaps, scan=pipeline.grid.scan, index=pipeline.grid.index, at=place, unit=unit
    )
