"""What became known of a scan since the last advance, in the order of the journal's time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Times, run_starts
from swathe.pipeline.cells.crossed import CrossedCells
from swathe.pipeline.placing.placed import Placed, ProbePath

__all__ = ["Block", "counted", "first_known"]


class Block:
    """Placed readings and crossed cells that are put on the grid piece by piece.

    Args:
        placed: readings with their positions.
        cells: flat cell of each reading, -1 outside the grid, shape (n,).
        path: the piece of the probe's path; None without one.
        crossed: its stays in cells; None without a path.
    """

    def __init__(
        self, placed: Placed, cells: Cells, path: ProbePath | None, crossed: CrossedCells | None
    ) -> None:
        self.placed = placed
        self.cells = cells
        self.path = path
        self.crossed = crossed
        self._reading = 0
        self._stay = 0
        self._sample = 0

    def take_readings(self, until: int) -> tuple[Placed, Cells]:
        """Return the readings not taken yet that are known at `until`, ns, and their cells."""
        begin = self._reading
        self._reading = end = int(np.searchsorted(self.placed.known, until, side="right"))
        if begin == 0 and end == self.cells.size:
            return self.placed, self.cells
        return self.placed[begin:end], self.cells[begin:end]

    def take_stays(self, until: int) -> CrossedCells | None:
        """Return the stays not taken yet that are settled at `until`, ns; None without any."""
        if self.crossed is None:
            return None
        begin = self._stay
        self._stay = end = int(np.searchsorted(self.crossed.settled, until, side="right"))
        return self.crossed[begin:end] if end > begin else None

    def rest(self) -> tuple[Placed, Cells]:
        """Return the readings not taken yet, and their cells."""
        if not self._reading:
            return self.placed, self.cells
        return self.placed[self._reading :], self.cells[self._reading :]

    def known_rest(self) -> Times:
        """Return the journal times of the readings and stays not taken yet, ns, in any order."""
        known = self.placed.known[self._reading :]
        if self.crossed is None:
            return known
        return np.concatenate((known, self.crossed.settled[self._stay :]))

    def take_path(self, until: int) -> ProbePath | None:
        """Return the path not taken yet that is settled at `until`, ns; None without any.

        It begins with the sample that the piece before ended with.
        """
        if self.path is None:
            return None
        begin = self._sample
        end = int(np.searchsorted(self.path.settled, until, side="right"))
        if end <= begin:
            return None
        self._sample = end
        joined = max(begin - 1, 0)
        if not joined and end == self.path.settled.size:
            return self.path
        return self.path[joined:end]


def counted(placed: Placed, cells: Cells) -> NDArray[np.bool_] | slice:
    """Return which readings have an echo and are on the grid, shape (n,); a slice where all are."""
    readings = placed.readings
    valid = readings["valid"] & (cells >= 0) & np.isfinite(readings["thickness"])
    return slice(None) if valid.all() else np.asarray(valid)


def first_known(cells: Cells, known: Times) -> tuple[Cells, Times]:
    """Return each of `cells` once, rising, and the first journal time of each, ns.

    Args:
        cells: flat cells, shape (n,).
        known: journal times, rising, shape (n,).
    """
    # The probe stays in a cell for many readings: the first of each stay is enough.
    begins = run_starts(cells)
    cells, first = np.unique(cells[begins], return_index=True)
    return cells, known[begins[first]]
