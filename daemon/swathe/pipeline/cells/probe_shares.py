"""Which probes the values of cells rest on, and when what they rest on was read.

A value rests on the reading that represents its cell; by the rule ``mean`` on all readings in it.
Where readings of one probe only come, nothing is kept: a value rests on the cell's newest reading.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Times

__all__ = ["ProbeShares"]

_ONE = np.uint64(1)


class ProbeShares:
    """Follows what the values of all cells rest on.

    Args:
        probe: of the reading that represents each cell, shape (cells,); as the grid keeps it.
        last_time: of the newest reading in each cell, ns UTC, shape (cells,); likewise.
        mean: whether values are means of all readings in a cell.

    Attributes:
        has_several: whether readings of several probes may come.
    """

    def __init__(self, probe: NDArray[np.uint8], last_time: Times, *, mean: bool) -> None:
        self._probe, self._last_time, self._mean = probe, last_time, mean
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
        held = np.flatnonzero(self._last_time)
        if self._mean:
            self._bits = np.zeros(self._probe.size, np.uint64)
            self._bits[held] = _ONE << self._probe[held].astype(np.uint64)
        else:
            self._taken = np.zeros(self._probe.size, np.int64)
            self._taken[held] = self._last_time[held]

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

    def rests_on(self, probe: int, since: int) -> Bools:
        """Return which values rest on readings of a probe after `since`, ns UTC, shape (cells,).

        Of a mean the newest reading in the cell, of whatever probe, decides on the time.
        """
        if not self.has_several:
            return np.asarray((self._probe == probe) & (self._last_time > since))
        if self._mean:
            has = (self._bits >> np.uint64(probe)) & _ONE
            return np.asarray((has > 0) & (self._last_time > since))
        return np.asarray((self._probe == probe) & (self._taken > since))

    def of(self, cells: Cells, probe: int) -> tuple[Bools, Times]:
        """Return which of the values of `cells` rest on a probe, and when it was read, ns UTC.

        Shape (n,) each; the times as in `rests_on`.
        """
        if not self.has_several:
            return self._probe[cells] == probe, self._last_time[cells]
        if self._mean:
            has = (self._bits[cells] >> np.uint64(probe)) & _ONE
            return has > 0, self._last_time[cells]
        return self._probe[cells] == probe, self._taken[cells]

    def note_fresh(self, cells: Cells, probes: NDArray[np.uint8]) -> None:
        """Note cells that became suspect, and of which probe the reading is that made them so."""
        if cells.size:
            self._fresh.append((cells, probes))

    def take_fresh(self) -> NDArray[np.uint8]:
        """Return the probes that made cells suspect since the last call, once for each cell."""
        found = [probes for _, probes in self._fresh]
        self._fresh.clear()
        return np.concatenate([*found, np.empty(0, np.uint8)])
