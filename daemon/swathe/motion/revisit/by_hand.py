"""Where next, for a scanner that is moved by hand: the nearest thing that is missing, in words."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from swathe.motion.errors import Point
from swathe.pipeline import GapCause, GapSnapshot
from swathe.station import Axis

__all__ = ["HandStep", "next_by_hand"]

_MM_PER_INCH = 25.4
_ROUNDING = 1e-9
_ADVICE = {
    GapCause.NO_SIGNAL: "mind the coupling",
    GapCause.TOO_FAST: "go slower",
    GapCause.UNCERTAIN: "go slower",
    GapCause.SUSPECT: "after a passed check",
    GapCause.SLIPPED: "after the position was set again",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HandStep:
    """Where to go next; lengths in mm.

    Attributes:
        gap: number of the gap.
        line: row of the grid, as messages number it.
        index: position of the row.
        start: scan position to begin at.
        end: scan position to end at.
        missing: from start to end.
        further: rows of the same gap next to this one.
        cause: why it is missing.
        away: from the probe to the start, along both axes; None while it is not known where it is.
        words: the same as a sentence for the inspector.
    """

    gap: int
    line: int
    index: float
    start: float
    end: float
    missing: float
    further: int
    cause: GapCause
    away: float | None
    words: str


def next_by_hand(
    gaps: Iterable[GapSnapshot],
    *,
    scan: Axis,
    index: Axis,
    at: Point | None = None,
    unit: Literal["mm", "in"] = "mm",
) -> HandStep | None:
    """Return the nearest thing to do, None if nothing is missing.

    Of a gap of several rows the one nearest to the probe comes first, and the end of it that is
    nearer; of two as near the gap with the lower number.

    Args:
        gaps: open gaps.
        scan: the scan axis.
        index: the index axis.
        at: where the probe is, (scan, index) in mm; None while unknown: the first line comes first.
        unit: of the words.
    """
    probe = at or (scan.start, index.start)
    best: tuple[float, int, GapSnapshot, int, bool] | None = None
    for gap in gaps:
        first, last = _rows(gap.index, index)
        row = min((first, last, *_beside(probe[1], first, last, index)), key=lambda r: _apart(
            index.start + r * index.resolution, probe[1], index))  # fmt: skip
        across = _apart(index.start + row * index.resolution, probe[1], index)
        to_low, to_high = (_apart(end, probe[0], scan) for end in gap.scan)
        found = (across + min(to_low, to_high), gap.number, gap, row, to_low <= to_high)
        if best is None or found[:2] < best[:2]:
            best = found
    if best is None:
        return None
    away, _, gap, row, rising = best
    start, end = gap.scan if rising else gap.scan[::-1]
    first, last = _rows(gap.index, index)
    line = row % index.cells
    step = HandStep(
        gap=gap.number,
        line=line,
        index=index.start + line * index.resolution,
        start=_onto(start, scan),
        end=_onto(end, scan),
        missing=gap.scan[1] - gap.scan[0],
        further=last - first,
        cause=gap.cause,
        away=None if at is None else away,
        words="",
    )
    return HandStep(
        **{name: getattr(step, name) for name in HandStep.__slots__ if name != "words"},
        words=_words(step, index, None if at is None else at[1], rising=rising, unit=unit),
    )


def _rows(extent: tuple[float, float], axis: Axis) -> tuple[int, int]:
    first = math.ceil((extent[0] - axis.start) / axis.resolution - _ROUNDING)
    last = math.floor((extent[1] - axis.start) / axis.resolution + _ROUNDING)
    return first, max(first, last)


def _beside(position: float, first: int, last: int, axis: Axis) -> list[int]:
    """Return the row the probe is on, at any turn of a pipe, if the gap has it."""
    row = round((position - axis.start) / axis.resolution)
    turns = (-axis.cells, 0, axis.cells) if axis.wrapped else (0,)
    return [row + turn for turn in turns if first <= row + turn <= last]


def _apart(one: float, other: float, axis: Axis) -> float:
    way = abs(one - other)
    if axis.wrapped:
        period = axis.cells * axis.resolution
        way %= period
        way = min(way, period - way)
    return way


def _onto(position: float, axis: Axis) -> float:
    """Return a position as it reads on the axis: on a circumference within its turn."""
    if not axis.wrapped:
        return position
    low = axis.edges(0, 0)[0]
    return low + (position - low) % (axis.cells * axis.resolution)


def _words(
    step: HandStep, index: Axis, probe: float | None, *, rising: bool, unit: Literal["mm", "in"]
) -> str:
    def as_text(value: float) -> str:
        return f"{value:,.0f} mm" if unit == "mm" else f"{value / _MM_PER_INCH:,.2f} in"

    parts = [
        f"line {step.line}, from {as_text(step.start)}, {as_text(step.missing)} missing",
        f"towards {'higher' if rising else 'lower'} scan positions",
    ]
    place = f"index {as_text(step.index)}"
    if index.cells > 1:
        if probe is not None:
            way = step.index - probe
            if index.wrapped:
                period = index.cells * index.resolution
                way = (way + period / 2) % period - period / 2
            if abs(way) < index.resolution / 2:
                place += ", the line you are on"
            else:
                place += f", {as_text(abs(way))} {'further' if way > 0 else 'back'}"
        parts.append(place)
    if step.further:
        parts.append(f"and {step.further} more line{'s' if step.further > 1 else ''} next to it")
    if (advice := _ADVICE.get(step.cause)) is not None:
        parts.append(f"{step.cause}: {advice}")
    return "; ".join(parts)
