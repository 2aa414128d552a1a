"""The interval for the true minimum of a wall that was read with noise, cell by cell.

The minimum of many noisy cells is biased low: it picks the cell whose noise is lowest. Of a
flat wall of 10,000 cells it is 3.7 standard deviations too thin. The interval here allows for that
selection. It is computed from the mean of each cell, not from its minimum reading.

What is assumed, and all that is: readings are normal and independent with a common standard deviation,
known with finite degrees of freedom; the values of cells share one error of the calibration; a
coupling error is the same for the readings of a cell, and independent between cells. Nothing is assumed of
the wall. The interval holds the true minimum of the cells' walls with 95 % or more; see `minimum_ends`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats, Ints
from swathe.calibration.minimum_ends import (
    CellEnds,
    Nodes,
    lowest_end,
    noise_ratios,
    root_of_falling,
    student_nodes,
)
from swathe.calibration.uncertainty import minimum_bias
from swathe.calibration.wall_distribution import CellGroup, WallCounts, estimate_walls
from swathe.errors import CalibrationError

__all__ = ["INTERVAL_COVERAGE", "MinimumInterval", "minimum_interval"]

INTERVAL_COVERAGE: Final = 0.95
"""Level of confidence of the interval."""

# An instrument without any noise has this much, so that nothing is divided by zero.
_SMALLEST_SD_MM: Final = 1e-6
# Standard deviations within 3 % are one group's; it has the largest of them.
_SAME_SD: Final = 0.03
# So many standard deviations above its lowest value no cell with the minimum is.
_LEVEL: Final = 6.0
# Of the permitted misses no more than this share is at the upper end.
_UPPER_SHARE: Final = 0.7
# A cell is uneven where a uniform one would be so once in a hundred surveys.
_UNEVEN: Final = 0.01
# Cells with two readings or more from which the repeatability on the part is estimated.
_MIN_CELLS: Final = 50
_RANGE: Final = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MinimumInterval:
    """The interval for the true minimum.

    Attributes:
        low: lower end, mm.
        high: upper end, mm.
        estimate: the thickness that the true minimum is as likely above as below, mm.
        coverage: level of confidence; the interval holds the true minimum so often or more.
        cells: number of cells.
        uneven: number of them whose minimum reading is farther below their mean than noise explains;
            they count with their minimum reading.
        repeatability: standard deviation of a reading that was used, mm.
        from_part: whether that is from the readings in the cells, which scatter more than stated.
    """

    low: float
    high: float
    estimate: float
    coverage: float
    cells: int
    uneven: int
    repeatability: float
    from_part: bool


def minimum_interval(
    means: Floats,
    readings: Ints,
    lowest: Floats | None = None,
    *,
    repeatability: float,
    repeatability_dof: float = math.inf,
    coupling: float = 0.0,
    coupling_dof: float = math.inf,
    common: float = 0.0,
    common_dof: float = math.inf,
    coverage: float = INTERVAL_COVERAGE,
) -> MinimumInterval:
    """Return the interval for the minimum of the true walls of some cells.

    Args:
        means: of the readings of each cell, mm, shape (n,) with n >= 1.
        readings: number of them, 1 or more, shape (n,).
        lowest: minimum reading of each cell, mm, shape (n,); None where it is not known: no cell
            is found to be uneven then.
        repeatability: standard deviation of a reading, mm.
        repeatability_dof: its degrees of freedom.
        coupling: standard deviation between couplings, mm, taken as independent between cells.
        coupling_dof: its degrees of freedom.
        common: standard uncertainty of the error that all readings share, mm.
        common_dof: its degrees of freedom.
        coverage: level of confidence, between 0.5 and 1.

    Raises:
        CalibrationError: no cells, or a value that cannot be.
    """
    _require(means, readings, (repeatability, coupling, common), coverage)
    sd, dof, from_part = repeatability, repeatability_dof, False
    values, number = means, readings.astype(np.float64)
    uneven = np.zeros(means.size, np.bool_)
    if lowest is not None:
        on_part, cells = _on_part(means, number, lowest)
        if cells >= _MIN_CELLS and on_part > sd:
            sd, dof, from_part = on_part, cells / 3, True  # a median has a third of the information
        uneven = _uneven(means, number, lowest, sd, dof)
        values, number = np.where(uneven, lowest, means), np.where(uneven, 1.0, number)
    groups = _groups(values, np.hypot(sd / np.sqrt(number), coupling))
    dof = _pooled_dof(sd, dof, coupling, coupling_dof)
    low, high, estimate = _ends(
        groups, noise_ratios(dof), student_nodes(common, common_dof), 1 - coverage
    )
    return MinimumInterval(
        low=low,
        high=high,
        estimate=estimate,
        coverage=coverage,
        cells=means.size,
        uneven=int(np.count_nonzero(uneven)),
        repeatability=sd,
        from_part=from_part,
    )


def _require(means: Floats, readings: Ints, sds: tuple[float, ...], coverage: float) -> None:
    if not means.size or means.shape != readings.shape:
        msg = f"'means' and 'readings' must be of the same cells (got {means.shape}, {readings.shape})"
        raise CalibrationError(msg)
    if not np.isfinite(means).all() or readings.min() < 1:
        msg = "'means' must be finite, with 1 reading or more each: leave out cells without"
        raise CalibrationError(msg)
    if not all(math.isfinite(sd) and sd >= 0 for sd in sds):
        msg = f"standard uncertainties must be >= 0 (got {', '.join(map(str, sds))})"
        raise CalibrationError(msg)
    if not 0.5 < coverage < 1:
        msg = f"'coverage' must be between 0.5 and 1, such as 0.95 (got {coverage})"
        raise CalibrationError(msg)


def _on_part(means: Floats, number: Floats, lowest: Floats) -> tuple[float, int]:
    """Return the standard deviation of readings within cells, and from how many cells it is.

    The median, so that pits smaller than a cell do not count. Of two readings it is 15 % below the
    standard deviation, of many readings it is that.
    """
    several = number > 1
    if not several.any():
        return 0.0, 0
    of, at = np.unique(number[several].astype(np.int64), return_inverse=True)
    expected = np.array([minimum_bias(int(n), 1.0) for n in of])
    shortfall = (means[several] - lowest[several]) / expected[at]
    return float(np.median(shortfall)), int(np.count_nonzero(several))


def _uneven(means: Floats, number: Floats, lowest: Floats, sd: float, dof: float) -> Bools:
    """Return which cells have a minimum reading that noise does not explain, shape (n,)."""
    from scipy.special import ndtri, stdtrit

    tail = _UNEVEN / float(number.sum())
    most = -float(ndtri(tail) if math.isinf(dof) else stdtrit(dof, tail))
    # A reading and the mean it is a part of differ by sd * sqrt(1 - 1 / n).
    return np.asarray(means - lowest > most * sd * np.sqrt(1 - 1 / number) + 1e-9)


def _groups(values: Floats, sd: Floats) -> list[CellGroup]:
    """Return the cells that can be near the minimum, by their standard deviations."""
    sd = np.maximum(sd, _SMALLEST_SD_MM)
    level = float((values + _LEVEL * sd).min())
    near = values < level + 8 * sd
    values, sd = values[near], sd[near]
    key = np.rint(np.log(sd / sd.min()) / _SAME_SD).astype(np.int16)
    order = np.argsort(key, kind="stable")  # of 16 bits: a radix sort
    begins = np.flatnonzero(np.diff(key[order], prepend=-1))
    values, sd = values[order], sd[order]
    lows = np.minimum.reduceat(values, begins).tolist()
    sds = np.maximum.reduceat(sd, begins).tolist()
    members = np.split(values, begins[1:])
    return [CellGroup(*one) for one in zip(sds, members, lows, strict=True)]


def _pooled_dof(sd: float, dof: float, coupling: float, coupling_dof: float) -> float:
    """Return the degrees of freedom of a cell's standard deviation, by Welch and Satterthwaite."""
    square = sd**2 + coupling**2
    shares = (sd**4 / dof + coupling**4 / coupling_dof) / square**2 if square else 0.0
    return max(1 / shares, 1.0) if shares else math.inf


def _ends(
    groups: list[CellGroup], ratios: Nodes, common: Nodes, alpha: float
) -> tuple[float, float, float]:
    """Return lower end, upper end and estimate, mm."""
    level = min(group.low + _LEVEL * group.sd for group in groups)
    walls = estimate_walls(groups, level, lowest_end(groups, -2.0)[1])
    ends = CellEnds(groups, walls, ratios)
    estimate = _median(walls)
    grid = np.linspace(-1.0, 1.0, 201) * max(group.sd for group in groups)

    factor = ends.lower_factor(alpha / 2)
    low = lowest_end(groups, -factor)[0]
    x = grid * (_RANGE + factor)
    below = _margin(x, ends.lower_rises_above(factor, low, x), common, alpha / 2)
    # Where other cells are as thin, the lower end cannot be missed; the upper end may be, instead.
    rises = ends.lower_rises_above(factor, estimate, x)
    missed = float(common.weight @ np.interp(below - common.at, x, rises))
    permitted = min(alpha - min(missed, alpha / 2), _UPPER_SHARE * alpha)
    factor = ends.upper_factor(permitted)
    high = lowest_end(groups, factor)[0]
    x = grid * (_RANGE + factor)
    above = _margin(x, ends.upper_falls_below(factor, high, -x), common, permitted)
    return low - below, high + above, estimate


def _margin(x: Floats, missed: Floats, common: Nodes, permitted: float) -> float:
    """Return what an end needs in addition, mm, for the error that all readings share.

    Args:
        x: mm, rising, shape (n,).
        missed: probability that noise alone misses by more than `x`, falling, shape (n,).
        common: the error.
        permitted: probability with which both together may miss.
    """
    widest = float(np.abs(common.at).max())
    if not widest:
        return 0.0

    def chance(by: float) -> float:
        return float(common.weight @ np.interp(by - common.at, x, missed))

    return root_of_falling(chance, permitted, 0.0, float(x[-1]) + widest)


def _median(walls: WallCounts) -> float:
    """Return the thickness which the minimum of the estimated walls is as likely above as below."""
    order = np.argsort(walls.wall, kind="stable")
    wall = walls.wall[order]
    # The lowest cell is one whole cell; of the many others each is rarely so thin.
    lowest = np.cumsum((walls.count - walls.others)[order])
    above = np.maximum(1 - lowest, 0.0) * np.exp(-np.cumsum(walls.others[order]))
    first = int(np.argmax(above < 0.5))
    if first == 0:
        return float(wall[0])
    return float(np.interp(-0.5, -above[first - 1 : first + 1], wall[first - 1 : first + 1]))
