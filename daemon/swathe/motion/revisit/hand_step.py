"""The next step by hand, and the survey that it depends on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from swathe.motion.carriage.layout import ONE_PROBE, Carriage
from swathe.pipeline import Coverage, GapCause, Grid
from swathe.station import LineAdvance

__all__ = ["HandStep", "HandSurvey", "StepKind"]

StepKind = Literal["again", "continue", "line", "done"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HandSurvey:
    """A survey as the next step depends on it.

    Attributes:
        grid: its cells.
        coverage: what is measured, and the gaps.
        line: the row in force on a stepped index axis; None on an encoded one.
        advance: what sets the next line of a stepped one.
        speed_limit: at which no cell is skipped, mm/s; None while unknown.
        carriage: its probes; of several the position is that of their datum.
    """

    grid: Grid
    coverage: Coverage
    line: int | None = None
    advance: LineAdvance = LineAdvance.COMMAND
    speed_limit: float | None = None
    carriage: Carriage = ONE_PROBE


@dataclass(frozen=True, slots=True, kw_only=True)
class HandStep:
    """What to do next; positions and lengths in mm, positions as they read on their axis.

    Attributes:
        kind: ``again`` over a gap, ``continue`` the present line, another ``line``, or ``done``.
        gap: number of the gap; None where the step is over none.
        line: row of the grid, as messages number it, of several probes the lowest one; -1 where
            nothing is left to do.
        index: position of the row; of several probes where the datum is to be.
        start: scan position to begin at; of several probes that of the datum, as `end`.
        end: scan position to end at.
        rising: whether scan positions rise on the way.
        missing: length of the missing cells on the way.
        gaps: gaps of which cells are on the way.
        further: other rows of the same gap.
        elsewhere: open gaps of which no cell is on the way.
        cause: commonest cause of the missing cells; None where they are no gap.
        speed: to stay below, mm/s; None where nothing was skipped.
        away: from the probe to the start, along both axes; None while it is not known where it is.
        across: from the probe to the row, with its sign, by the shorter path; None likewise.
        rows: what several probes are to scan on the way, rising; empty for one at the datum.
    """

    kind: StepKind
    gap: int | None = None
    line: int = -1
    index: float = 0.0
    start: float = 0.0
    end: float = 0.0
    rising: bool = True
    missing: float = 0.0
    gaps: int = 0
    further: int = 0
    elsewhere: int = 0
    cause: GapCause | None = None
    speed: float | None = None
    away: float | None = None
    across: float | None = None
    rows: tuple[int, ...] = ()
