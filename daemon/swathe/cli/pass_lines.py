"""The passes of several probes as lines of text: which rows each one scans, in a compact way."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from swathe.motion import Plan, WorkArea
    from swathe.station import Station

__all__ = ["numbers_text", "pass_lines"]

_MOST_PASSES = 12
_FEWEST_IN_STEPS = 3


def pass_lines(station: Station, plan: Plan, area: WorkArea) -> list[str]:
    """Return what is to be said of the passes of several probes; nothing of one at the datum."""
    if area.carriage.is_single:
        return []
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


def numbers_text(numbers: Sequence[int]) -> str:
    """Return rising line numbers in few words: ``lines 0 to 3 and 8``, ``lines 0 to 12 in steps of 4``."""
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    step = numbers[1] - numbers[0]
    steps = {after - before for before, after in pairwise(numbers)}
    if step > 1 and steps == {step} and len(numbers) >= _FEWEST_IN_STEPS:
        return f"lines {numbers[0]} to {numbers[-1]} in steps of {step}"
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    parts = [str(first) if first == last else f"{first} to {last}" for first, last in runs]
    return "lines " + (parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}")
