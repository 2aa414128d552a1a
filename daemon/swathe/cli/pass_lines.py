"""The passes of several probes as lines of text: which rows each one scans, in a compact way."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from swathe.motion import Plan, WorkArea
    from swathe.station import Station

__all__ = ["pass_lines"]

_MOST_PASSES = 12


def pass_lines(station: Station, plan: Plan, area: WorkArea) -> list[str]:
    """Return what is to be said of the passes of several probes; nothing of one at the datum."""
    if area.carriage.is_single:
        return []
    from swathe.motion import numbers_text

    units = station.display
    across = "index" if plan.along == "scan" else "scan"
    lines = ["each pass keeps the heading 0, at which the offsets of the probes are given"]
    if station.carriage is not None and station.carriage.heading is not None:
        lines.append(
            "caution: the heading is measured and not driven: what the carriage reaches, and keeps "
            "clear of, is planned for the heading 0"
        )
    found: list[tuple[int, float, list[int]]] = []
    for number, parts in groupby(
        sorted(plan.stretches, key=lambda one: one.line), key=lambda one: one.line
    ):
        stretches = list(parts)
        rows = sorted({strip.line for one in stretches for strip in one.strips})
        found.append((number, stretches[0].at, rows))
    for number, at, rows in found[:_MOST_PASSES]:
        lines.append(f"pass {number} at {across} {units.place_text(at)}: {numbers_text(rows)}")
    if len(found) > _MOST_PASSES:
        lines.append(f"and {len(found) - _MOST_PASSES} more passes")
    return lines
