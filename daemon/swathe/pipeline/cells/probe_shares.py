"""Which probes the values of cells rest on, and when what they rest on was read.

A value rests on the reading that represents its cell; by the rule ``mean`` on all readings in it.
Where readings of one probe only come, nothing is kept: a value rests on the cell's newest reading.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Times
from swathe.pipeline.cells.plan_arrays import PlanArrays, TouchedCells, plan_zeros

__all__ = ["ProbeShares"]

_ONE = np.uint64(1)


class _Layers(Protocol):
    """What a grid keeps of each cell, shape (cells,) each.

    Attributes:
        touched: the cells that may have been read.
        probe: of the reading that represents it.
        last_time: of the newest reading in it, ns UTC.
    """

    touched: TouchedCells
    probe: NDArray[np.uint8]
    last_time: Times


class ProbeShares(PlanArrays):
    """Follows what the values of all cells rest on.

    Args:
        grid: of the cells.
        mean: whether values are means of all readings in a cell.

    Attributes:
        has_several: whether readings of several probes may come.
    """

    def __init__(self, grid: _Layers, *, mean: bool) -> None:
        self._grid, self._mean = grid, mean
        self.touched = grid.touched
        self.has_several = False
        # Of several probes: when the representing reading was taken, ns UTC; or, for means, a bit for
        # each probe that has readings in the cell.
        self._taken: Times = np.empty(0, np.int64)
        self._bits = np.empty(0, np.uint64)
        self._fresh: list[tuple[Cells, NDArray[np.uint8]]] = []

    def keep(self) -> None:
        """Follow several probes from now on."""
        if self.has_several:
            return
        self.has_several = True
        size, grid = self.touched.size, self._grid
        if self._mean:
            self._bits = plan_zeros(size, np.uint64)
        else:
            self._taken = plan_zeros(size, np.int64)
        for cells in self.touched.cells():
            held = cells[grid.last_time[cells] != 0]
            if self._mean:
                self._bits[held] = _ONE << grid.probe[held].astype(np.uint64)
            else:
                self._taken[held] = grid.last_time[held]

    def represent(self, best: NDArray[Any], cells: Cells, utc_offset: int) -> None:
        """Take readings that represent their cells from now on, each cell once, shape (n,)."""
        if self.has_several and not self._mean:
            self._taken[cells] = best["time"] + utc_offset

    def add(self, good: NDArray[Any], cells: Cells) -> None:
        """Take valid readings that are added to their cells, shape (n,)."""
        if self.has_several and self._mean:
            bits = _ONE << good["probe"].astype(np.uint64)
            np.bitwise_or.at(self._bits, cells, bits)

    def empty(self, cells: Cells) -> None:
        """Take cells of which all readings are dropped."""
        if self.has_several and self._mean:
            self._bits[cells] = 0

    def of(self, cells: Cells, probe: int) -> tuple[Bools, Times]:
        """Return which of the values of `cells` rest on a probe, and when it was read, ns UTC.

        Shape (n,) each. Of a mean the newest reading in the cell, of whatever probe, has the time.
        """
        grid = self._grid
        if not self.has_several:
            return grid.probe[cells] == probe, grid.last_time[cells]
        if self._mean:
            has = (self._bits[cells] >> np.uint64(probe)) & _ONE
            return has > 0, grid.last_time[cells]
        return grid.probe[cells] == probe, self._taken[cells]

    def note_fresh(self, cells: Cells, probes: NDArray[np.uint8]) -> None:
        """Note cells that became suspect, and of which probe the reading is that made them so."""
        if cells.size:
            self._fresh.append((cells, probes))

    def take_fresh(self) -> NDArray[np.uint8]:
        """Return the probes that made cells suspect since the last call, once for each cell."""
        found = [probes for _, probes in self._fresh]
        self._fresh.clear()
        return np.concatenate([*found, np.empty(0, np.uint8)])
