"""The figures at the axes of a map in characters: where its first and last cells are."""

from __future__ import annotations

from collections.abc import Sequence

from swathe.display_units import DisplayUnits
from swathe.messages import PlanMessage

__all__ = ["index_labels", "scan_axis"]

# From so many rows on the one in the middle has a figure as well.
_TALL = 5


def index_labels(plan: PlanMessage, first_lines: Sequence[int], each: int = 1) -> list[str]:
    """Return a label for each row of a map, all of one width; empty where there is no index axis.

    The first and the last row have the positions of the first and the last line, one in the middle
    that of its first line.

    Args:
        plan: of the station.
        first_lines: number of the first line in each row.
        each: how often each of these rows is drawn; the label is at the middle one.
    """
    if plan.profile or plan.spots:
        return []
    rows = len(first_lines)
    lines = {0: 0, rows - 1: plan.lines - 1}
    if rows >= _TALL:
        lines[rows // 2] = first_lines[rows // 2]
    labels = {row: _place(plan, line) for row, line in lines.items()}
    width = max(map(len, labels.values()))
    return [
        f"{labels.get(row, '') if k == each // 2 else '':>{width}} "
        for row in range(rows)
        for k in range(each)
    ]


def scan_axis(plan: PlanMessage, margin: int, columns: int, width: int) -> str:
    """Return the line below a map: the positions of its first and last column, and the unit.

    Args:
        plan: of the station.
        margin: characters before the map.
        columns: of the map.
        width: of the whole line; where it is too short the names are left out, then the line.
    """
    units = DisplayUnits(plan.units)
    if plan.spots:
        return ""
    half = plan.scan_resolution / 2
    low = _figure(plan.scan.low + half, plan.scan_resolution, units)
    high = _figure(plan.scan.high - half, plan.scan_resolution, units)
    across = "" if plan.profile else ", index down"
    for name in (f"scan{across}, {units.length_name}", f"{units.length_name}", ""):
        middle = f" {name} " if name else " "
        if len(low) + len(middle) + len(high) <= columns:
            return " " * margin + low + middle.center(columns - len(low) - len(high)) + high
    whole = f"{low} to {high} {units.length_name}"
    return " " * margin + whole if margin + len(whole) <= width else ""


def _place(plan: PlanMessage, line: int) -> str:
    at = plan.index.low + (line + 0.5) * plan.index_resolution
    return _figure(at, plan.index_resolution, DisplayUnits(plan.units))


def _figure(mm: float, resolution: float, units: DisplayUnits) -> str:
    """Return a position in few characters: without trailing zeros in mm, as any place in inches."""
    if units.is_metric:
        return units.stated_number(round(mm, 3))
    return units.place_number(mm, resolution)
