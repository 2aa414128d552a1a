"""The ends of the interval for the true minimum, as tests that are inverted.

With values y of cells, their standard deviations s and the walls w, the upper end is
``U = min(y + k s)`` and the lower end ``L = min(y - k s)``, each with a factor k of its own
(V. Chernozhukov, S. Lee and A. Rosen, Intersection bounds, Econometrica 81 (2013) 667; from memory).

- U is below the true minimum m when any cell reads so low: ``1 - prod(Phi(k + (w - m) / s))``. Of cells
  far above the minimum none does; of a flat wall each may, and k grows with their number.
- L is above m when the cell that has the minimum reads so high, ``Phi(-k)``, and no other cell
  reads below L. Without any other cell near, k is 1.96.

k is the factor at which that probability is the permitted one if m is the end itself. The walls w of
the cells above m are not known; they are estimated (`wall_distribution`), and on the cautious side:
near the minimum an estimate resolves no better than a share of a standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from swathe.arrays import Floats
from swathe.calibration.wall_distribution import CellGroup, WallCounts

__all__ = ["CellEnds", "Nodes", "lowest_end", "noise_ratios", "root_of_falling", "student_nodes"]

# By so much of a standard deviation cells may be thinner than estimated when they decide on the
# upper end, and thicker when they decide on the lower one.
_CAUTION_UPPER: Final = 0.25
_CAUTION_LOWER: Final = 0.5
# Cells as thin as the minimum that noise hides among the others: an estimate from few cells has them
# rather too thick. Both figures are from tests/benchmarks/minimum_interval.py.
_HIDDEN_CELLS: Final = 2.0
_LARGEST_FACTOR: Final = 60.0
_BISECTIONS: Final = 40


@dataclass(frozen=True, slots=True)
class Nodes:
    """A distribution as points of a quadrature, shape (n,) each.

    Attributes:
        at: the points.
        weight: their probabilities; the sum is 1.
    """

    at: Floats
    weight: Floats


def noise_ratios(dof: float) -> Nodes:
    """Return the distribution of an estimated standard deviation over the true one.

    That is the root of chi-squared over its degrees of freedom, on an even grid of its logarithm.
    """
    if math.isinf(dof):
        return Nodes(np.ones(1), np.ones(1))
    # The logarithm has a standard deviation of about 1 / sqrt(2 dof), and a tail towards 0.
    log = np.arange(-12.0, 6.1, 0.75) / math.sqrt(2 * dof)
    return _nodes(np.exp(log), dof * log - dof * np.exp(2 * log) / 2)


def student_nodes(sd: float, dof: float) -> Nodes:
    """Return Student's t times `sd` on a grid that is even at 0 and widens into the tails."""
    grid = np.linspace(-7.0, 7.0, 1401)
    t = np.sinh(grid)
    density = -t * t / 2 if math.isinf(dof) else -(dof + 1) / 2 * np.log1p(t * t / dof)
    return _nodes(sd * t, density + np.log(np.cosh(grid)))


def _nodes(at: Floats, log_weight: Floats) -> Nodes:
    weight = np.exp(log_weight - log_weight.max())
    kept = weight > 1e-7
    return Nodes(at[kept], weight[kept] / weight[kept].sum())


def root_of_falling(
    function: Callable[[float], float], target: float, low: float, high: float
) -> float:
    """Return where a function that falls from `low` to `high` is down at `target`."""
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        if function(middle) > target:
            low = middle
        else:
            high = middle
    return high


def lowest_end(groups: list[CellGroup], factor: float) -> tuple[float, int]:
    """Return the minimum of ``y + factor * s`` over all cells, mm, and the number of its group."""
    ends = [group.low + factor * group.sd for group in groups]
    which = int(np.argmin(ends))
    return ends[which], which


class CellEnds:
    """The probabilities that an end misses the true minimum.

    Args:
        groups: the cells by their standard deviations.
        walls: their estimated walls.
        ratios: of the stated standard deviations over the true ones.
    """

    def __init__(self, groups: list[CellGroup], walls: WallCounts, ratios: Nodes) -> None:
        # SciPy takes a moment to import, and a scan may begin without it.
        from scipy.special import log_ndtr

        self._log_ndtr = log_ndtr
        self._groups = groups
        self._walls = walls
        self._ratios = ratios
        cells = sum(group.values.size for group in groups)
        self._hidden = min(_HIDDEN_CELLS, cells - 1.0)

    def upper_falls_below(self, factor: float, minimum: float, x: Floats) -> Floats:
        """Return the probability of ``min(y + factor * s) - minimum <= x``, shape (n,) as `x`.

        Args:
            factor: of the standard deviations.
            minimum: the true one that is assumed, mm; no cell is thinner.
            x: mm, shape (n,).
        """
        walls = self._walls
        above = np.maximum(walls.wall - minimum - _CAUTION_UPPER * walls.sd, 0.0)
        cells = (x[:, np.newaxis] - above) / walls.sd - factor
        hidden = x / self._groups[lowest_end(self._groups, factor)[1]].sd - factor
        ratio = self._ratios.at[:, np.newaxis]
        none = self._log_ndtr(-ratio[..., np.newaxis] * cells) @ walls.count
        none += self._hidden * self._log_ndtr(-ratio * hidden)
        return np.asarray(self._ratios.weight @ -np.expm1(none))

    def lower_rises_above(self, factor: float, minimum: float, x: Floats) -> Floats:
        """Return the probability of ``min(y - factor * s) - minimum > x``, shape (n,) as `x`.

        Args:
            factor: of the standard deviations.
            minimum: the true one that is assumed, mm: that of the cell which decides.
            x: mm, shape (n,).
        """
        walls = self._walls
        above = np.maximum(walls.wall - minimum, 0.0) + _CAUTION_LOWER * walls.sd
        others = (x[:, np.newaxis] - above) / walls.sd + factor
        thinnest = x / self._groups[lowest_end(self._groups, -factor)[1]].sd + factor
        ratio = self._ratios.at[:, np.newaxis]
        none = self._log_ndtr(-ratio[..., np.newaxis] * others) @ walls.others
        none += self._log_ndtr(-ratio * thinnest)
        return np.asarray(self._ratios.weight @ np.exp(none))

    def upper_factor(self, probability: float) -> float:
        """Return the factor at which the upper end is below the true minimum so often."""

        def missed(factor: float) -> float:
            end = lowest_end(self._groups, factor)[0]
            return float(self.upper_falls_below(factor, end, np.zeros(1))[0])

        return root_of_falling(missed, probability, 0.0, _LARGEST_FACTOR)

    def lower_factor(self, probability: float) -> float:
        """Return the factor at which the lower end is above the true minimum so often."""

        def missed(factor: float) -> float:
            end = lowest_end(self._groups, -factor)[0]
            return float(self.lower_rises_above(factor, end, np.zeros(1))[0])

        return root_of_falling(missed, probability, 0.0, _LARGEST_FACTOR)
