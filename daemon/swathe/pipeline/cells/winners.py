"""Which of the readings that come together represents each cell."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Cells, Floats, Ints, run_lengths, steps_of
from swathe.station import CellRule

__all__ = ["beats", "winners"]


def winners(rule: CellRule, good: NDArray[Any], at: Cells, begins: NDArray[np.int64]) -> Ints:
    """Return, for each cell of `at`, which of these readings represents it.

    Args:
        rule: of the survey.
        good: readings, shape (n,), dtype `READING`.
        at: their cells, shape (n,).
        begins: first reading of each stay in a cell, rising.
    """
    match rule:
        case CellRule.MINIMUM:
            rank = np.ascontiguousarray(good["thickness"])
        case CellRule.STRONGEST:
            rank = -np.nan_to_num(good["amplitude"], nan=-np.inf)
        case CellRule.FIRST:
            rank = np.arange(at.size)
        case CellRule.LAST | CellRule.MEAN:
            rank = -np.arange(at.size)
    # First the best one of each stay.
    stay = np.repeat(np.arange(begins.size), run_lengths(begins, at.size))
    is_best = np.flatnonzero(rank == np.minimum.reduceat(rank, begins)[stay])
    best = is_best[steps_of(stay[is_best], -1) > 0]
    cells = at[best]
    if (np.diff(cells) <= 0).any():
        # lexsort is stable: of equal readings the earlier one wins.
        order = np.lexsort((rank[best], cells))
        best = best[order]
        best = best[steps_of(at[best], -1) > 0]
    return best


def beats(
    rule: CellRule, best: NDArray[Any], thickness: Floats, amplitude: NDArray[np.float32]
) -> Bools:
    """Return whether each reading replaces the one that its cell holds, shape (n,).

    Args:
        rule: of the survey.
        best: readings, shape (n,), dtype `READING`.
        thickness: of what each cell holds, mm.
        amplitude: likewise, in percent of full screen height.
    """
    match rule:
        case CellRule.MINIMUM:
            return np.asarray(best["thickness"] < thickness)
        case CellRule.STRONGEST:
            known = ~np.isnan(best["amplitude"])
            return np.asarray((best["amplitude"] > amplitude) | (np.isnan(amplitude) & known))
        case CellRule.FIRST:
            return np.zeros(best.shape, bool)
        case CellRule.LAST | CellRule.MEAN:
            return np.ones(best.shape, bool)
