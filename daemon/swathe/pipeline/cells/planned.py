"""Cells that a raster under way is still to scan: 'to do', and no gap.

A crawler journals the stretches of its raster before it drives them, and the number of each one as it
begins. What the plan is still to scan opens no gap, though the probe passes it or scans other parts of
its line, as it does round an excluded zone. A stretch under way is judged as the probe goes along it;
what is left of it when the next one begins, or the raster is over, is judged some seconds later, once
all that was read there has come.

Of several probes a stretch has a strip for each: position of its line, and from where to where. Passes
may overlap: a cell that a later one scans again is to do until then.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.plan_arrays import PlanArrays, plan_zeros
from swathe.station import Axis

__all__ = ["PLACED_WITHIN_NS", "PlannedCells"]

PLACED_WITHIN_NS = 2_000_000_000
"""Within this time what was read has come and has its place; longer than any lateness in use."""

_ROUNDING = 1e-6
# Numbers of a strip: position of its line, from, to.
_STRIP = 3


class PlannedCells(PlanArrays):
    """Follows which cells the raster under way is still to scan.

    Args:
        grid: the cells.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self.touched = grid.touched
        self._stretches: list[Cells] = []
        self._under_way: Cells = np.empty(0, np.int64)  # cells of the stretch that has begun
        # Of several probes: the last stretch on which a cell is, counted from 1; 0 where there is none.
        self._last: NDArray[np.int32] | None = None
        self._todo = plan_zeros(grid.state.size, bool)
        self._now = plan_zeros(grid.state.size, bool)
        # Left behind by the probe, but still to be scanned, or ahead of it on a stretch under way.
        self._held = plan_zeros(grid.state.size, bool)
        self._holds = False  # whether there may be held cells

    @property
    def todo(self) -> NDArray[np.bool_]:
        """Which cells are on stretches that have not begun, shape (cells,)."""
        return self._todo

    def plan(self, detail: Mapping[str, Any]) -> Cells:
        """Take the stretches of a raster; return held cells that it does not have, rising."""
        self._clear()
        self._stretches = [
            self._cells(detail["along"], list(map(float, stretch)))
            for stretch in detail["stretches"]
        ]
        for cells in self._stretches:
            self._todo[cells] = True
            self.touched.add(cells)
        self._last = None
        if any(len(stretch) > _STRIP for stretch in detail["stretches"]):
            self._last = plan_zeros(self._grid.state.size, np.int32)
            for number, cells in enumerate(self._stretches):
                self._last[cells] = number + 1
        return self._release(self._held_cells(lambda held: ~self._todo[held]))

    def begin(self, number: int) -> Cells:
        """Begin a stretch; return what is held of the one before, rising."""
        if not 0 <= number < len(self._stretches):  # of a mark that is lost
            return np.empty(0, np.int64)
        cells = self._stretches[number]
        before = self._held_cells(lambda held: self._now[held])
        self._now[self._under_way] = False
        self._under_way = cells
        self._now[cells] = self._todo[cells]
        self._todo[cells] = False if self._last is None else self._last[cells] > number + 1
        return self._release(before[~self._now[before] & ~self._todo[before]])

    def forget(self) -> None:
        """Nothing is planned any more."""
        self._clear()
        self._stretches = []
        self._last = None
        self._release(self._held_cells(lambda held: np.ones(held.shape, bool)))
        self._holds = False

    def hold(self, cells: Cells, passed: Bools) -> Bools:
        """Return which cells are not left behind yet, though the probe has left them.

        Args:
            cells: flat cells.
            passed: of each whether the probe was in it; else it has only left its line.
        """
        held = self._todo[cells] | (self._now[cells] & ~passed)
        if held.any():
            self._holds = True
            self.touched.add(cells[held])
        self._held[cells[held]] = True
        self._held[cells[~held]] = False
        return np.asarray(held)

    def _held_cells(self, which: Callable[[Cells], Bools]) -> Cells:
        """Return those of the held cells, rising, for which `which` is true."""
        if not self._holds:
            return np.empty(0, np.int64)
        held = self._grid.touched.find(lambda cells: self._held[cells])
        return held[which(held)]

    def _release(self, cells: Cells) -> Cells:
        self._held[cells] = False
        return cells

    def _clear(self) -> None:
        self._now[self._under_way] = False
        self._under_way = np.empty(0, np.int64)
        for cells in self._stretches:
            self._todo[cells] = False

    def _cells(self, along: str, strips: list[float]) -> Cells:
        """Return the cells of a stretch, rising within each of its strips."""
        parts = [
            self._on_strip(along, *strips[k : k + _STRIP])
            for k in range(0, len(strips) - _STRIP + 1, _STRIP)
        ] or [np.empty(0, np.int64)]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _on_strip(self, along: str, at: float, low: float, high: float) -> Cells:
        """Return the cells of a line with their centres from `low` to `high`."""
        scan, index = self._grid.scan, self._grid.index
        axis, across = (scan, index) if along == "scan" else (index, scan)
        line = across.cell(np.array([at]))
        places = _between(axis, low, high)
        line = np.repeat(line[line >= 0], places.size)
        places = places[: line.size]
        row, column = (line, places) if along == "scan" else (places, line)
        return row * self._grid.shape[1] + column


def _between(axis: Axis, low: float, high: float) -> Cells:
    """Return the cells whose centres are from `low` to `high`, mm; on a circumference round it."""
    first = math.ceil((low - axis.start) / axis.resolution - _ROUNDING)
    last = math.floor((high - axis.start) / axis.resolution + _ROUNDING)
    if axis.wrapped:
        last = min(last, first + axis.cells - 1)
        return np.arange(first, last + 1) % axis.cells
    return np.arange(max(first, 0), min(last, axis.cells - 1) + 1)
