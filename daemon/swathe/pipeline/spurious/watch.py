"""Spurious readings of a survey: rules, places to confirm and persons' decisions, run by run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells
from swathe.journal import Mark
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.spurious.cells import SpuriousCells, SpuriousSettings
from swathe.pipeline.spurious.decisions import Decision
from swathe.pipeline.spurious.limits import (
    ThicknessLimits,
    flag_impossible,
    limits_by_probe,
    thickness_limits,
)
from swathe.pipeline.spurious.register import ConfirmRegister
from swathe.reading_flags import ReadingFlag, are_unconfirmed
from swathe.station import Station, station_of_probe

__all__ = ["SpuriousWatch"]

_ANYTHING = (0.0, float("inf"))


class SpuriousWatch:
    """Flags readings and cells, and lists the places to confirm.

    Args:
        grid: the cells.
        apart: whether no cell is near another one, as with spots.

    Attributes:
        cells: the rules applied to the grid.
        register: the places to confirm.
        impossible: readings so far beyond the limits.
        limits: thinnest and thickest wall that counts as measured, mm.
    """

    def __init__(self, grid: Grid, *, apart: bool) -> None:
        self._grid = grid
        self._apart = apart
        grid.visits.apart = apart
        self.cells = SpuriousCells(grid, apart=apart)
        self.register = ConfirmRegister(grid, self.cells)
        self.impossible = 0
        self.limits: ThicknessLimits = _ANYTHING

    def open_run(self, station: Station) -> Cells:
        """Apply the station file of a run; return the cells whose flags changed."""
        several = len(station.probes) > 1
        self.limits = (
            limits_by_probe(station) if several else thickness_limits(station_of_probe(station, 0))
        )
        changed = self.cells.set_settings(SpuriousSettings.of_station(station))
        self.register.add(changed)
        return changed

    def flag_readings(self, readings: NDArray[Any]) -> None:
        """Flag impossible readings of the scan, dtype `READING` with their thickness, in place."""
        self.impossible += flag_impossible(readings, self.limits)

    def cells_changed(self, update: CellUpdate) -> Cells:
        """Evaluate the cells of an update and those near them; return those whose flags changed."""
        changed = self.cells.cells_changed(update)
        self.register.add(update.cells)
        self.register.add(changed)
        return changed

    def decide(self, mark: Mark, time: int) -> Cells:
        """Apply a person's decision, made at `time` in ns UTC; return the cells that changed."""
        place = self.register.place_meant(mark.detail)
        if place is None:
            return np.empty(0, np.int64)
        cells = np.array([place.cell])
        self.cells.decide(place.cell, Decision.of_mark(mark.kind, mark.detail, time))
        self.register.add(cells)
        return cells

    def evaluate(self, time: int, left: Callable[[int], bool], thinnest: int) -> Cells:
        """Bring the list of places up to date; return the cells whose places changed.

        Args:
            time: ns UTC.
            left: whether the probe has left a flat cell behind.
            thinnest: the cell with the raw minimum; -1 without one.
        """
        if self._apart:  # a spot was read with the probe put on
            return np.array(self.register.evaluate(time, lambda _: True, thinnest), np.int64)
        return np.array(self.register.evaluate(time, left, thinnest), np.int64)

    def unconfirmed(self, cells: Cells | slice = slice(None)) -> Bools:
        """Return which cells have a doubtful value that nothing confirms, shape as `cells`."""
        return are_unconfirmed(self._grid.quality[cells])

    def counts(self) -> dict[ReadingFlag, int]:
        """Return how many required cells have each flag now, by rising bit."""
        grid = self._grid
        flagged = grid.touched.find(
            lambda cells: (grid.quality[cells] > 0) & (grid.state[cells] != CellState.EXCLUDED)
        )
        quality = grid.quality[flagged]
        return {flag: int(np.count_nonzero(quality & np.uint16(flag))) for flag in ReadingFlag}
