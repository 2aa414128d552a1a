"""Strokes of a hand along one line: over what is missing, with a run-in, where the probe can be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.arrays import Bools
from swathe.pipeline import runs_of
from swathe.station import Axis

__all__ = ["RUN_CELLS", "RUN_MM", "SETTLE_CELLS", "Stroke", "strokes_over", "whole_stretches"]

# A stroke begins so far before what is missing, and ends so far behind it: a hand is at speed and
# coupled by then. (Common practice, no source.)
RUN_MM = 10.0
RUN_CELLS = 5
# After a step to another line readings count once the probe has moved by so many cells.
SETTLE_CELLS = 2
# From so many strokes, or from this share of a stretch on, the whole stretch is one stroke.
_MANY_STROKES = 3
_WHOLE_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Stroke:
    """A stroke over cells that are missing; positions in mm, `low` < `high` or equal.

    On a circumference `high` may be past the seam.

    Attributes:
        low: centre of the first cell that it passes.
        high: centre of the last one.
        run_low: cells from there to the first missing one.
        run_high: cells from the last missing one to the end.
        cells: columns of the missing cells, shape (n,).
        whole: whether it is all of a stretch without excluded cells.
    """

    low: float
    high: float
    run_low: int
    run_high: int
    cells: tuple[int, ...]
    whole: bool


def strokes_over(missing: Bools, excluded: Bools, axis: Axis) -> list[Stroke]:
    """Return the strokes over the missing cells of a line, in the order of their positions.

    No stroke enters an excluded cell, and none leaves the plan.

    Args:
        missing: which cells are to be scanned, shape (columns,).
        excluded: which ones cannot be, shape (columns,).
        axis: the scan axis.
    """
    shift, closed = _cut(missing, excluded, axis)
    lost, barred = np.roll(missing, -shift), np.roll(excluded, -shift)
    run = max(RUN_CELLS, int(np.ceil(RUN_MM / axis.resolution)))
    found: list[Stroke] = []
    for first, last in runs_of(np.flatnonzero(~barred)):
        needed = first + np.flatnonzero(lost[first : last + 1])
        if not needed.size:
            continue
        found += _strokes_within(needed, (first, last), run, shift, axis, closed=closed)
    return sorted(found, key=lambda stroke: stroke.low)


def _strokes_within(
    needed: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    stretch: tuple[int, int],
    run: int,
    shift: int,
    axis: Axis,
    *,
    closed: bool,
) -> list[Stroke]:
    """Return the strokes over the `needed` cells of one stretch, in cells from the cut on."""
    first, last = stretch
    spans: list[tuple[int, int]] = []
    for low, high in runs_of(needed):
        reach = max(low - run, first), min(high + run, last)
        if spans and reach[0] <= spans[-1][1] + 1:
            spans[-1] = spans[-1][0], reach[1]
        else:
            spans.append(reach)
    covered = sum(high - low + 1 for low, high in spans)
    whole = len(spans) >= _MANY_STROKES or covered >= _WHOLE_SHARE * (last - first + 1)
    if whole:
        spans = [stretch]
    strokes = []
    for low, high in spans:
        within = needed[(needed >= low) & (needed <= high)]
        # Round a pipe a stroke has a run-in on either side, though it begins at the cut.
        runs = (run, run) if closed and whole else (int(within[0]) - low, high - int(within[-1]))
        # `shift` is below the number of cells: the begin reads within the turn, the end perhaps not.
        begin = low + shift
        begin -= axis.cells if begin >= axis.cells else 0
        strokes.append(
            Stroke(
                low=axis.start + begin * axis.resolution,
                high=axis.start + (begin + high - low) * axis.resolution,
                run_low=runs[0],
                run_high=runs[1],
                cells=tuple(((within + shift) % axis.cells).tolist()),
                whole=whole,
            )
        )
    return strokes


def _cut(missing: Bools, excluded: Bools, axis: Axis) -> tuple[int, bool]:
    """Return at which cell a line begins, and whether the line is closed upon itself.

    A circumference is cut at an excluded cell, or else in the middle of the longest stretch in
    which nothing is missing.
    """
    if not axis.wrapped:
        return 0, False
    if excluded.any():
        return int(np.argmax(excluded)), False
    at = np.flatnonzero(missing)
    if not at.size:
        return 0, True
    holes = np.diff(np.append(at, at[0] + axis.cells))
    widest = int(np.argmax(holes))
    return int(at[widest] + (holes[widest] + 1) // 2) % axis.cells, True


def whole_stretches(missing: Bools, axis: Axis) -> list[tuple[float, float]]:
    """Return the unbroken runs of missing cells from centre to centre, mm, by position.

    On a circumference one over the seam is one, and its end past the seam.
    """
    runs = runs_of(np.flatnonzero(missing))
    if axis.wrapped and len(runs) > 1 and runs[0][0] == 0 and runs[-1][1] == axis.cells - 1:
        runs = [*runs[1:-1], (runs[-1][0], runs[0][1] + axis.cells)]
    return [
        (axis.start + low * axis.resolution, axis.start + high * axis.resolution)
        for low, high in runs
    ]
