"""What each probe read along the passes of the carriage, to be compared where passes overlap.

A pass is what was read while the carriage's datum was on one row of the grid. Of each column the mean
of a probe's readings is kept, as a sum of whole nanometres, so that no mean depends on how readings came.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells, Floats, Ints, distinct
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.placing.placed import Placed
from swathe.station import ProbeArray

__all__ = ["PassProfile", "PassProfiles"]

_NM_PER_MM = 1e6
# Passes that are kept, the newest ones: one overlaps those next to it.
_KEPT = 8
# Of larger plans nothing is kept: sums of so many columns of all probes.
_MOST_SUMS = 4_000_000


@dataclass(slots=True)
class PassProfile:
    """What the probes read in one pass.

    Attributes:
        row: of the datum, numbered on beyond the grid.
        rows: row of the grid in which each probe read last, -1 for none, shape (probes,).
        sums: of thicknesses, nm, shape (probes, columns).
        counts: of readings, shape (probes, columns).
        changed: how often readings were added.
    """

    row: int
    rows: Ints
    sums: NDArray[np.int64]
    counts: NDArray[np.int32]
    changed: int = 0

    @property
    def means(self) -> Floats:
        """Mean thickness of each probe in each column, mm, NaN without a reading, shape as `sums`."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.counts > 0, self.sums / self.counts / _NM_PER_MM, np.nan)


class PassProfiles:
    """The newest passes of a run.

    Args:
        grid: the cells.
        probes: of the carriage, which keeps its direction.

    Attributes:
        passes: by the row of the datum, in the order of their last reading.
    """

    def __init__(self, grid: Grid, probes: ProbeArray) -> None:
        self._grid = grid
        self._probes = probes
        self.passes: dict[int, PassProfile] = {}

    @property
    def keeps(self) -> bool:
        """Whether passes of this plan are kept at all."""
        several = len(self._probes) > 1
        return several and len(self._probes) * self._grid.shape[1] <= _MOST_SUMS

    def add(self, placed: Placed, cells: Cells) -> None:
        """Add readings with an echo on the grid, at the positions of their probes, and their cells."""
        if not cells.size:
            return
        number = placed.readings["probe"]
        at_datum = placed.index - self._probes.offsets[number, 1]
        datum = np.floor(self._grid.index.offset(at_datum)).astype(np.int64)
        row, column = np.divmod(cells, self._grid.shape[1])
        whole = np.rint(placed.readings["thickness"] * _NM_PER_MM).astype(np.int64)
        for one in distinct(datum).tolist():
            here = np.flatnonzero(datum == one)
            profile = self._pass(one)
            np.add.at(profile.sums, (number[here], column[here]), whole[here])
            np.add.at(profile.counts, (number[here], column[here]), 1)
            profile.rows[number[here]] = row[here]
            profile.changed += 1

    def _pass(self, row: int) -> PassProfile:
        profile = self.passes.pop(row, None)
        if profile is None:
            shape = len(self._probes), self._grid.shape[1]
            rows = np.full(shape[0], -1)
            profile = PassProfile(row, rows, np.zeros(shape, np.int64), np.zeros(shape, np.int32))
        self.passes[row] = profile  # the newest one is the last
        while len(self.passes) > _KEPT:
            del self.passes[next(iter(self.passes))]
        return profile
