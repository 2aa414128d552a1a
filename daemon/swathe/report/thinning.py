"""Thinning a grid for a small picture, so that neither a pit nor a gap is lost.

Thickness is thinned by the minimum of a block of cells, the state by the most urgent one;
an average would hide a pit, and a choice of every n-th cell a gap.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline import CellState

__all__ = ["BY_URGENCY", "URGENCY", "pool", "thin_minimum", "thin_worst"]

BY_URGENCY = np.array(
    [
        CellState.MEASURED,
        CellState.EXCLUDED,
        CellState.UNVISITED,
        CellState.SUSPECT,
        CellState.UNCERTAIN,
        CellState.SKIPPED,
        CellState.NO_SIGNAL,
    ],
    np.uint8,
)
"""States from the lowest to the most urgent: an excluded cell or a gap stays visible."""

URGENCY = np.argsort(BY_URGENCY).astype(np.uint8)
"""Urgency of each state, its place in `BY_URGENCY`."""


def pool(values: NDArray[Any], step: tuple[int, int], how: np.ufunc) -> NDArray[Any]:
    """Return one value for each block of `step` (rows, columns) cells; the last ones are partial.

    Args:
        values: shape (rows, columns).
        step: size of a block.
        how: ``np.minimum`` or ``np.maximum``, by which a block's values become one.
    """
    for axis in (0, 1):
        if step[axis] == 2:
            values = _pool_pairs(values, axis, how)
        elif step[axis] > 1:
            edges = np.arange(0, values.shape[axis], step[axis])
            values = how.reduceat(values, edges, axis=axis)
    return values


def _pool_pairs(values: NDArray[Any], axis: int, how: np.ufunc) -> NDArray[Any]:
    """Pool neighbours two by two along an axis: several times as fast as `reduceat`."""
    cut = (slice(None),) * axis
    whole = values.shape[axis] // 2 * 2
    pairs = how(values[*cut, 0:whole:2], values[*cut, 1:whole:2])
    if whole == values.shape[axis]:
        return np.asarray(pairs)
    return np.concatenate((pairs, values[*cut, whole:]), axis=axis)


def thin_minimum(values: NDArray[Any], step: tuple[int, int]) -> NDArray[Any]:
    """Return the minimum of each block of `step` cells, NaN where there is none."""
    if step == (1, 1):
        return values
    minimum = pool(np.where(np.isnan(values), np.inf, values), step, np.minimum)
    return np.where(np.isinf(minimum), np.nan, minimum)


def thin_worst(state: NDArray[np.uint8], step: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the most urgent state of each block of `step` cells."""
    return np.asarray(BY_URGENCY[pool(URGENCY[state], step, np.maximum)])
