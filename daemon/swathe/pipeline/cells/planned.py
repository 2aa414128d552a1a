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
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells
from swathe.pipeline.cells.grid import Grid
from swathe.station import Axis

__all__ = ["PLACED_WITHIN_NS", "PlannedCells"]

PLACED_WITHIN_NS = 2_000_000_000
"""Within this time what was read has come and has its place; longer than any lateness in use."""

_ROUNDING = 1e-6
# Numbers of a strip: position of its line, from, to.
_STRIP = 3


class PlannedCells:
    """Follows which cells the raster under way is still to scan.

    Args:
        grid: the cells.
    """

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._stretches: list[Cells] = []
        # Of several probes: the last stretch on which a cell is; -1 where it is on none.
        self._last: NDArray[np.int32] | None = None
        self._todo = np.zeros(grid.state.size, bool)
        self._now = np.zeros(grid.state.size, bool)
        # Left behind by the probe, but still to be scanned, or ahead of it on a stretch under way.
        self._held = np.zeros(grid.state.size, bool)

    @property
    def todo(self) -> NDArray[np.bool_]:
        """Which cells are on stretches that have not begun, shape (cells,)."""
        return self._todo

    def plan(self, detail: Mapping[str, Any]) -> Cells:
        """Take the stretches of a raster; return held cells that it does not have, rising."""
        self._stretches = [
            self._cells(detail["along"], list(map(float, stretch)))
            for stretch in detail["stretches"]
        ]
        self._now[:] = self._todo[:] = False
        for cells in self._stretches:
            self._todo[cells] = True
        self._last = None
        if any(len(stretch) > _STRIP for stretch in detail["stretches"]):
            self._last = np.full(self._grid.state.size, -1, np.int32)
            for number, cells in enumerate(self._stretches):
                self._last[cells] = number
        return self._release(self._held & ~self._todo)

    def begin(self, number: int) -> Cells:
        """Begin a stretch; return what is held of the one before, rising."""
        if not 0 <= number < len(self._stretches):  # of a mark that is lost
            return np.empty(0, np.int64)
        cells = self._stretches[number]
        before = self._held & self._now
        self._now[:] = False
        self._now[cells] = self._todo[cells]
        self._todo[cells] = False if self._last is None else self._last[cells] > number
        before &= ~self._now & ~self._todo
        return self._release(before)

    def forget(self) -> None:
        """Nothing is planned any more."""
        self._stretches = []
        self._last = None
        self._todo[:] = self._now[:] = self._held[:] = False

    def hold(self, cells: Cells, passed: Bools) -> Bools:
        """Return which cells are not left behind yet, though the probe has left them.

        Args:
            cells: flat cells.
            passed: of each whether the probe was in it; else it has only left its line.
        """
        held = self._todo[cells] | (self._now[cells] & ~passed)
        self._held[cells[held]] = True
        self._held[cells[~held]] = False
        return np.asarray(held)

    def _release(self, cells: Bools) -> Cells:
        self._held &= ~cells
        return np.flatnonzero(cells)

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
