"""Why the cells of a gap were not measured."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Cells
from swathe.pipeline.cells.grid import CellState, Grid

__all__ = ["CAUSE_OF_STATE", "GapCause", "causes_apart", "causes_of"]


class GapCause(StrEnum):
    """Why the cells of a gap were not measured; the commonest cause of its cells."""

    UNVISITED = "unvisited"
    NO_SIGNAL = "no signal"
    TOO_FAST = "too fast"
    UNCERTAIN = "time uncertain"
    UNPLACED = "reading unplaced"
    """A reading was taken there; where was not known in time, as with an encoder's bytes that come late."""
    UNREAD = "readings not received"
    """What the gauge sent there was damaged, or its port was away: whether it had an echo nobody knows."""
    SUSPECT = "check failed"
    SLIPPED = "slip"
    """Suspect, too: two sources of the position parted."""


CAUSE_OF_STATE = {
    CellState.UNVISITED: GapCause.UNVISITED,
    CellState.NO_SIGNAL: GapCause.NO_SIGNAL,
    CellState.SKIPPED: GapCause.TOO_FAST,
    CellState.UNCERTAIN: GapCause.UNCERTAIN,
    CellState.SUSPECT: GapCause.SUSPECT,
}
"""The cause of a cell whose state shows it."""


def causes_of(grid: Grid, cells: Cells, *, unvisited: int = 0) -> dict[GapCause, int]:
    """Return how many of some missing cells have each cause, with so many further unvisited ones."""
    apart = causes_apart(grid, cells)
    rest = cells[~np.logical_or.reduce([*apart.values()])]
    counts = np.bincount(grid.state[rest], minlength=max(CellState) + 1)
    counts[CellState.UNVISITED] += unvisited
    causes = {cause: int(counts[state]) for state, cause in CAUSE_OF_STATE.items()}
    causes |= {cause: int(np.count_nonzero(mask)) for cause, mask in apart.items()}
    return {cause: count for cause, count in causes.items() if count}


def causes_apart(grid: Grid, cells: Cells) -> dict[GapCause, NDArray[np.bool_]]:
    """Return which of some missing cells have a cause that their state alone does not show."""
    state = grid.state[cells]
    passed = (state == CellState.UNCERTAIN) | (state == CellState.SKIPPED)
    return {
        GapCause.SLIPPED: grid.slipped[cells],
        GapCause.UNPLACED: passed & grid.unplaced[cells],
        GapCause.UNREAD: passed & grid.unread[cells] & ~grid.unplaced[cells],
    }
