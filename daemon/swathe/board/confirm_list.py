"""The places to confirm on the board, most dangerous first."""

from __future__ import annotations

from swathe.board.stations import StationView
from swathe.pipeline.progress.confirm_snapshot import Where, confirm_text

__all__ = ["confirm_lines"]


def confirm_lines(view: StationView, most: int) -> list[str]:
    """Return at most `most` places of a station, one line each, the last one with how many more."""
    if view.confirm is None or not view.confirm.places:
        return []
    plan = view.plan
    where = Where() if plan is None else plan.where
    shown = view.confirm.places[:most]
    lines = [
        f"{place.status} #{place.number}: {confirm_text(place, view.units, where)}"
        for place in shown
    ]
    if (more := view.confirm.total - len(shown)) > 0:
        lines[-1] += f" (and {more:,} more)"
    return lines
