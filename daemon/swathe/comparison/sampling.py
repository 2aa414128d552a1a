"""Values of a map between the centres of its cells, with what interpolation costs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats
from swathe.comparison.cell_map import CellMap
from swathe.station import Axis

__all__ = ["PlaceNodes", "SmoothMap", "nodes_of", "smoothed"]

_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True)
class PlaceNodes:
    """The four cells around each of some places, with their weights in a bilinear interpolation.

    Attributes:
        cells: flat cells, shape (4, places); any cell where `inside` is not set.
        weights: shape (4, places).
        inside: which places are between centres of cells.
        fraction: how far each place is from the centre before it, in cells: (scan, index).
    """

    cells: NDArray[np.int64]
    weights: Floats
    inside: Bools
    fraction: tuple[Floats, Floats]

    def mean(self, values: Floats) -> Floats:
        """Return the interpolated values of a map; NaN where one of the cells that matter has none."""
        picked = values.ravel()[self.cells]
        # A cell without any weight does not matter, whatever it has.
        picked = np.where(self.weights > 0, picked, 0.0)
        return np.where(self.inside, np.einsum("kp,kp->p", self.weights, picked), np.nan)

    def variance(self, variances: Floats) -> Floats:
        """Return the variance of the interpolated values of cells that are independent."""
        picked = np.where(self.weights > 0, variances.ravel()[self.cells], 0.0)
        return np.where(self.inside, np.einsum("kp,kp->p", self.weights**2, picked), np.nan)


def nodes_of(scan_axis: Axis, index_axis: Axis, scan: Floats, index: Floats) -> PlaceNodes:
    """Return the cells around places.

    Args:
        scan_axis: axis of the columns.
        index_axis: axis of the rows.
        scan: places, mm, flat; a circumference is taken modulo its turn.
        index: likewise.
    """
    left, right, x, inside_scan = _around(scan_axis, scan)
    top, bottom, y, inside_index = _around(index_axis, index)
    columns = scan_axis.cells
    return PlaceNodes(
        np.stack(
            [
                top * columns + left,
                top * columns + right,
                bottom * columns + left,
                bottom * columns + right,
            ]
        ),
        np.stack([(1 - y) * (1 - x), (1 - y) * x, y * (1 - x), y * x]),
        inside_scan & inside_index,
        (x, y),
    )


def _around(
    axis: Axis, position: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Bools]:
    """Return the cell before and after each position, the fraction between them, and which are inside."""
    at = (position - axis.start) / axis.resolution
    near = np.round(at)
    at = np.where(np.abs(at - near) < _ROUNDING, near, at)
    if axis.wrapped:
        at = np.mod(at, axis.cells)
        before = np.minimum(np.floor(at), axis.cells - 1)
        first = before.astype(np.int64)
        return first, (first + 1) % axis.cells, at - before, np.ones(at.shape, np.bool_)
    if axis.cells == 1:
        # A line has no neighbours: what is within its width is on it.
        none = np.zeros(at.shape, np.int64)
        return none, none, np.zeros(at.shape), np.abs(at) <= 0.5 + _ROUNDING
    inside = (at >= 0) & (at <= axis.cells - 1)
    before = np.clip(np.floor(at), 0, axis.cells - 2)
    first = before.astype(np.int64)
    return first, first + 1, np.where(inside, at - before, 0.0), inside


class Derivatives(NamedTuple):
    """Derivatives of a smooth map; per mm and per mm², shape (index, scan)."""

    along_scan: Floats
    along_index: Floats
    scan_twice: Floats
    index_twice: Floats


@dataclass(frozen=True, slots=True)
class SmoothMap:
    """A map after smoothing: NaN where too little of what is averaged was measured.

    Attributes:
        values: mm, shape (index, scan).
        derivatives: of it; 0 where there is no neighbour.
    """

    values: Floats
    derivatives: Derivatives


def smoothed(
    one: CellMap, scan_cells: float, index_cells: float, *, least: float = 0.85
) -> SmoothMap:
    """Return a map smoothed by a Gaussian; cells that do not count have no weight in it.

    Args:
        one: the map.
        scan_cells: standard deviation of the Gaussian along the scan axis, in cells.
        index_cells: likewise along the index axis.
        least: share of the Gaussian's weight that must be of cells that count; at a border it is
            half. With less the smooth map leans to one side.
    """
    # SciPy takes a tenth of a second to import.
    from scipy.ndimage import gaussian_filter1d

    known = one.counts
    level = float(one.mean[known].mean()) if known.any() else 0.0
    total, weight = np.where(known, one.mean - level, 0.0), known.astype(np.float64)
    for number, (axis, width) in enumerate(((one.index, index_cells), (one.scan, scan_cells))):
        if axis.cells == 1 or width <= 0:
            continue
        mode = "wrap" if axis.wrapped else "constant"
        total, weight = (
            gaussian_filter1d(each, width, axis=number, mode=mode, truncate=3.0)
            for each in (total, weight)
        )
    with np.errstate(invalid="ignore", divide="ignore"):
        values = np.where(known & (weight > least), total / weight + level, np.nan)
    slopes = [_slopes(values, axis, number) for number, axis in ((1, one.scan), (0, one.index))]
    return SmoothMap(values, Derivatives(slopes[0][0], slopes[1][0], slopes[0][1], slopes[1][1]))


def _slopes(values: Floats, axis: Axis, number: int) -> tuple[Floats, Floats]:
    """Return first and second central differences along an axis; 0 where a neighbour has no value."""
    if axis.cells < 3:
        return np.zeros(values.shape), np.zeros(values.shape)
    before, after = (np.roll(values, step, axis=number) for step in (1, -1))
    if not axis.wrapped:
        first = [slice(None)] * 2
        last = [slice(None)] * 2
        first[number], last[number] = slice(0, 1), slice(-1, None)
        before[tuple(first)] = np.nan
        after[tuple(last)] = np.nan
    # At a border or next to a gap the difference to the only neighbour.
    steps = np.stack([after - values, values - before])
    known = np.isfinite(steps)
    one = np.where(known, steps, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    one /= axis.resolution
    two = (after - 2 * values + before) / axis.resolution**2
    return one, np.nan_to_num(two, nan=0.0)
