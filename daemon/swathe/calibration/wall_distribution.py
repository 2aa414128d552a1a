"""The walls of the cells near the minimum, estimated from their noisy values.

The value of a cell is its wall plus noise, so that values scatter more than walls do. The
nonparametric maximum likelihood estimate of the distribution of the walls (J. Kiefer and
J. Wolfowitz, Ann. Math. Statist. 27 (1956) 887) takes the noise out again. It assumes no shape: flat,
rough and pitted walls are the same to it. C.-H. Zhang (Statist. Sinica 19 (2009) 1297) shows that
the cells need not be a random sample for it. It is computed on a fixed grid of walls, from binned values
(R. Koenker and J. Gu, J. Stat. Softw. 82 (2017) issue 8), by the EM algorithm (N. Laird,
J. Amer. Statist. Assoc. 73 (1978) 805). The papers are cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from swathe.arrays import Floats, Ints

__all__ = ["CellGroup", "WallCounts", "estimate_walls"]

_NEAR: Final = 8.0
"""A cell so many of its standard deviations above a wall is not as thin as that: one in 10^15 is."""
_MOST_WALLS: Final = 240
_WALLS_PER_SD: Final = 4
_BINS_PER_SD: Final = 5
_ITERATIONS: Final = 300
_NEGLIGIBLE: Final = 1e-7
"""A number of cells that no result depends on."""


@dataclass(frozen=True, slots=True)
class CellGroup:
    """Cells whose values have the same standard deviation.

    Attributes:
        sd: that standard deviation, mm, above 0.
        values: of the cells, mm, shape (n,) with n >= 1, in any order.
        low: the lowest of them, mm.
    """

    sd: float
    values: Floats
    low: float


@dataclass(frozen=True, slots=True)
class WallCounts:
    """How many cells have which wall, estimated, shape (n,) each.

    Attributes:
        wall: mm, in any order.
        sd: standard deviation of the values of such cells, mm.
        count: number of cells; as a rule not whole.
        others: the same without the one cell whose value is taken as the lowest.
    """

    wall: Floats
    sd: Floats
    count: Floats
    others: Floats


def estimate_walls(groups: list[CellGroup], level: float, lowest: int) -> WallCounts:
    """Return the estimated walls of the cells that may be below or near `level`.

    Args:
        groups: whose lowest values are near `level`.
        level: thickness above the minimum of the wall, mm.
        lowest: number of the group whose lowest cell is left out of `others`.
    """
    values = [group.values[group.values < level + _NEAR * group.sd] for group in groups]
    bottom = min(group.low for group in groups)
    top = max(float(near.max()) for near in values)
    finest = min(group.sd for group in groups) / _WALLS_PER_SD
    step = max(finest, (top - bottom) / (_MOST_WALLS - 1))
    walls = np.asarray(bottom + step * np.arange(math.ceil((top - bottom) / step) + 1), np.float64)
    at, number, group_of = _bins([group.sd for group in groups], values, bottom)
    sd = np.array([group.sd for group in groups])
    # A wall between two of the grid counts as the nearer one, which is off by a rectangular error.
    noise = np.hypot(sd[group_of], step / math.sqrt(12))[:, np.newaxis]
    likelihood = np.exp(-0.5 * ((at[:, np.newaxis] - walls) / noise) ** 2) / noise
    weights = np.full(walls.size, 1 / walls.size)
    for _ in range(_ITERATIONS):
        weights *= (number / (likelihood @ weights)) @ likelihood / number.sum()
    share = likelihood * weights
    share /= share.sum(axis=1, keepdims=True)
    counts = np.zeros((len(groups), walls.size))
    np.add.at(counts, group_of, share * number[:, np.newaxis])
    others = counts.copy()
    others[lowest] -= share[int(np.argmax(group_of == lowest))]  # its first bin has its lowest cell
    kept = counts > _NEGLIGIBLE
    which, wall = np.nonzero(kept)
    return WallCounts(walls[wall], sd[which], counts[kept], np.maximum(others[kept], 0.0))


def _bins(sds: list[float], values: list[Floats], bottom: float) -> tuple[Floats, Floats, Ints]:
    """Return mean, number of cells and group of each bin with cells, by group and then rising."""
    at: list[Floats] = []
    number: list[Floats] = []
    for sd, near in zip(sds, values, strict=True):
        bins = ((near - bottom) * (_BINS_PER_SD / sd)).astype(np.int64)
        bins -= bins.min()
        counts = np.bincount(bins)
        filled = np.flatnonzero(counts)
        number.append(counts[filled].astype(np.float64))
        at.append(np.bincount(bins, near - bottom)[filled] / number[-1] + bottom)
    group_of = np.repeat(np.arange(len(sds)), [one.size for one in at])
    return np.concatenate(at), np.concatenate(number), group_of
