"""Compares what several probes read of the same wall, while a survey goes on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Cells
from swathe.display_units import DisplayUnits
from swathe.pipeline.block import counted
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.overlaps.arrangement import (
    FEWEST_COLUMNS,
    Misfit,
    arrangements,
    likelier_arrangement,
)
from swathe.pipeline.overlaps.profiles import PassProfile, PassProfiles
from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.placed import Placed
from swathe.station import AlarmKind, Station, probes_of

__all__ = ["Disagreement", "OverlapWatch"]


@dataclass(frozen=True, slots=True)
class Disagreement:
    """By how much two probes read differently where both have read.

    Attributes:
        probe: number of the first one.
        other: of the second one.
        mean_mm: what the first one reads more, mm.
        standard_mm: standard uncertainty of that, mm, of columns taken for independent.
        columns: in which both have read.
    """

    probe: int
    other: int
    mean_mm: float
    standard_mm: float
    columns: int


class OverlapWatch:
    """Follows the overlaps of one run's passes.

    Nothing is said of a carriage that turns, whose rows are no passes, nor of one probe alone.

    Args:
        station: the station file in force.
        grid: the cells.

    Attributes:
        conditions: that an arrangement fits better than the stated one, since it was taken last.
        misfit: the one that was reported; None without one.
        profiles: what the probes read in the newest passes.
    """

    def __init__(self, station: Station, grid: Grid) -> None:
        self._probes = probes_of(station)
        self._units: DisplayUnits = station.display
        self._cell = grid.scan.resolution, grid.index.resolution
        turns = station.carriage is not None and station.carriage.heading is not None
        self.profiles = PassProfiles(grid, self._probes)
        self._follows = self.profiles.keeps and not turns
        self._known = arrangements(self._probes) if self._follows else []
        self._compared: dict[int, int] = {}
        self.conditions: list[Condition] = []
        self.misfit: Misfit | None = None

    def add(self, placed: Placed, cells: Cells) -> None:
        """Add readings at the positions of their probes, and their cells, -1 outside the grid."""
        if self._follows:
            rows = counted(placed, cells)
            self.profiles.add(placed[rows], cells[rows])

    def evaluate(self, now: int) -> None:
        """Compare the passes that overlap at `now`, host time in ns; all before was added."""
        passes = self.profiles.passes
        if not self._follows or self.misfit is not None or len(passes) < 2:
            return
        state = {row: one.changed for row, one in passes.items()}
        if state == self._compared:
            return
        self._compared = state
        newest = list(passes.values())[-1]
        pairs = [(one, newest) for one in list(passes.values())[:-1]]
        self.misfit = likelier_arrangement(self._probes, self._known, pairs, self._cell)
        if self.misfit is not None:
            detail = self._text(self.misfit)
            self.conditions.append(Condition(AlarmKind.OFFSETS, "", now, holds=True, detail=detail))

    def _text(self, misfit: Misfit) -> str:
        units = self._units
        stated, found = (units.thickness_text(mm) for mm in (misfit.stated_mm, misfit.spread_mm))
        return (
            f"where passes overlap the probes differ by {stated} (standard deviation), and by {found} "
            f"if {misfit.arrangement.text}: check cables, inputs and offsets in [[probe]]"
        )

    def disagreements(self) -> list[Disagreement]:
        """Return by how much probes read differently in the overlaps of the newest passes."""
        found: dict[tuple[int, int], list[float]] = {}
        passes: Sequence[PassProfile] = list(self.profiles.passes.values())
        for at, one in enumerate(passes):
            means = one.means
            for other in passes[at:]:
                others = means if other is one else other.means
                for j, k in self._shared_rows(one, other):
                    difference = means[j] - others[k]
                    pair = (j, k) if j < k else (k, j)
                    sign = 1.0 if j < k else -1.0
                    good = sign * difference[np.isfinite(difference)]
                    found.setdefault(pair, []).extend(good.tolist())
        return [
            Disagreement(
                j, k, float(np.mean(values)),
                float(np.std(values, ddof=1) / np.sqrt(len(values))), len(values),
            )
            for (j, k), values in sorted(found.items())
            if len(values) >= FEWEST_COLUMNS
        ]  # fmt: skip

    @staticmethod
    def _shared_rows(one: PassProfile, other: PassProfile) -> list[tuple[int, int]]:
        """Return the probes of two passes that read the same row of the grid."""
        return [
            (j, int(k))
            for j, row in enumerate(one.rows.tolist())
            for k in np.flatnonzero(other.rows == row)
            if row >= 0 and k != j and (other is not one or j < k)
        ]
