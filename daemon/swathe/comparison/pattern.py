"""Registration by the pattern of the wall: shift and rotation found in the thicknesses of both surveys.

Coarse first: the correlation of the smoothed maps at every shift and at some rotations; then a fit from
the best places (`pattern_fit`). It is refused, with the reason, where the wall does not carry it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from swathe.arrays import Floats
from swathe.comparison.cell_map import CellMap
from swathe.comparison.correlation import masked_correlation
from swathe.comparison.pattern_fit import PatternFit, SmoothPair, fit_pattern
from swathe.comparison.registration import Registration
from swathe.comparison.sampling import nodes_of, smoothed

__all__ = ["WallPattern", "register_by_pattern"]

_SMOOTHING: Final = 1.5
_MOST_FIT_CELLS: Final = 250_000
_MOST_SEARCH_CELLS: Final = 16_384
_STARTS: Final = 3
# Of walls without features, or with grooves in one direction only, no simulated one had more than 0.15
# of 270 independent cells, which is 2.5 times 1 / sqrt(270): see tests/benchmarks/compare.py.
_LEAST_EVIDENCE: Final = 0.25
_LEAST_SIGNAL: Final = 5.0
# So many standard deviations over the blocks that another fit must be worse.
_LEAST_LEAD: Final = 3.0


@dataclass(frozen=True, slots=True)
class WallPattern:
    """What the wall pattern shows.

    Attributes:
        registration: None where the pattern does not carry it.
        refused: why not; empty where there is one.
        correlation: of the two smoothed maps where it is, without their planes; None without a fit.
        search: how far was looked for it: mm on either axis, and degrees.
        rotation_fitted: False round a full circumference, where no rotation is possible.
    """

    registration: Registration | None
    refused: str
    correlation: float | None
    search: tuple[float, float]
    rotation_fitted: bool


def register_by_pattern(
    earlier: CellMap,
    later: CellMap,
    start: Registration | None = None,
    *,
    search: float = 25.0,
    search_degrees: float = 3.0,
) -> WallPattern:
    """Return shift and rotation from the earlier survey to the later one, found in the wall.

    Args:
        earlier: map of the earlier survey.
        later: map of the later survey.
        start: the registration by datum; none unless given.
        search: so far from there a shift is looked for, mm on either axis.
        search_degrees: so far from there a rotation is looked for.
    """
    turns = not (
        earlier.scan.wrapped or earlier.index.wrapped or later.scan.wrapped or later.index.wrapped
    )
    begin = (start or Registration()).at(later.middle)
    pair = _pair(earlier, later, turns=turns)

    def refused(reason: str, fit: PatternFit | None = None) -> WallPattern:
        correlation = None if fit is None else fit.correlation
        return WallPattern(None, reason, correlation, (search, search_degrees), turns)

    if min(later.shape) < 2 or min(earlier.shape) < 2:
        return refused("a single line has no pattern across it")
    starts = _coarse(pair, begin, search, search_degrees if turns else 0.0)
    fits = [fit for one in starts if (fit := fit_pattern(pair, one)) is not None]
    if not fits:
        return refused("too little of the part is in both surveys, or nothing in it differs")
    fits.sort(key=lambda fit: fit.misfit)
    best = fits[0]
    found = best.registration
    width = max(later.scan.resolution, later.index.resolution)
    u_scan, u_index, u_turn = found.standard
    reach = math.radians(u_turn) * _half_diagonal(later)
    independent = max(best.cells / _smoothing_cells(pair), 1.0)
    if best.evidence < max(_LEAST_EVIDENCE, _LEAST_SIGNAL / math.sqrt(independent)):
        return refused(
            "the wall has no pattern that both surveys show, or one in a single direction only "
            f"(correlation {best.correlation:.2f})",
            best,
        )
    if not best.converged:
        return refused("the fit did not settle", best)
    if any(_as_good(best, other, pair) for other in fits[1:]):
        return refused("the pattern fits as well at another place: it repeats", best)
    if max(abs(found.scan - begin.scan), abs(found.index - begin.index)) > search or (
        turns and abs(found.rotation - begin.rotation) > search_degrees
    ):
        return refused("the best fit is at the border of what was searched: search farther", best)
    if max(u_scan, u_index, reach) > width / 2:
        return refused(
            f"it would be known to {max(u_scan, u_index, reach):.2g} mm (standard uncertainty) only, "
            "more than half a cell",
            best,
        )
    return WallPattern(found, "", best.correlation, (search, search_degrees), turns)


def _pair(earlier: CellMap, later: CellMap, *, turns: bool) -> SmoothPair:
    """Return both maps smoothed by the same length, in blocks where they are large."""
    widths = [
        _SMOOTHING * max(axes[0].resolution, axes[1].resolution)
        for axes in ((earlier.scan, later.scan), (earlier.index, later.index))
    ]
    maps: list[CellMap] = []
    for one in (earlier, later):
        factor = math.ceil(math.sqrt(one.mean.size / _MOST_FIT_CELLS))
        rows, columns = (
            1 if axis.wrapped and axis.cells % factor else factor for axis in (one.index, one.scan)
        )
        maps.append(one.coarser(rows, columns) if factor > 1 else one)
        widths = [
            max(width, _SMOOTHING * axis.resolution)
            for width, axis in zip(widths, (maps[-1].scan, maps[-1].index), strict=True)
        ]
    first, second = (
        smoothed(one, widths[0] / one.scan.resolution, widths[1] / one.index.resolution)
        for one in maps
    )
    return SmoothPair(maps[0], maps[1], first, second, turns, (widths[0], widths[1]))


def _smoothing_cells(pair: SmoothPair) -> float:
    """Return how many cells of the later map share one independent value after smoothing."""
    widths = [
        max(one.resolution, other.resolution) / one.resolution
        for one, other in (
            (pair.later.scan, pair.earlier.scan),
            (pair.later.index, pair.earlier.index),
        )
    ]
    return 4 * math.pi * _SMOOTHING**2 * widths[0] * widths[1]


def _half_diagonal(one: CellMap) -> float:
    return math.hypot(
        one.scan.cells * one.scan.resolution / 2, one.index.cells * one.index.resolution / 2
    )


def _coarse(
    pair: SmoothPair, begin: Registration, search: float, degrees: float
) -> list[Registration]:
    """Return the registrations at which the maps are most alike, the best first."""
    later = pair.later
    step = max(1, math.ceil(math.sqrt(later.mean.size / _MOST_SEARCH_CELLS)))
    rows, columns = (
        slice(None, None, 1 if axis.wrapped and axis.cells % step else min(step, axis.cells))
        for axis in (later.index, later.scan)
    )
    scan, index = later.scan.centres[columns], later.index.centres[rows]
    wrapped = (later.index.wrapped, later.scan.wrapped)
    steps = tuple(
        axis.resolution * (each.step or 1)
        for axis, each in ((later.index, rows), (later.scan, columns))
    )
    target = _flat(pair.later_smooth.values[rows, columns])
    known = np.isfinite(target)
    # From one rotation to the next the corners move by what is smoothed over.
    reach = 2 * _SMOOTHING * max(steps) / max(_half_diagonal(later), 1e-9)
    turns = max(0, math.ceil(math.radians(degrees) / reach))
    # The search reaches beyond its border, so that a fit at the border is seen to be one.
    lags = [math.ceil(search / one) + 1 for one in steps]
    at = np.meshgrid(scan, index)
    found: list[tuple[float, Registration]] = []
    for turn in np.linspace(-degrees, degrees, 2 * turns + 1) if turns else np.zeros(1):
        tried = replace(begin, rotation=begin.rotation + float(turn))
        x, y = tried.to_earlier(at[0].ravel(), at[1].ravel())
        values = nodes_of(pair.earlier.scan, pair.earlier.index, x, y).mean(
            pair.earlier_smooth.values
        )
        moved = _flat(values.reshape(target.shape))
        surface = masked_correlation(target, known, moved, np.isfinite(moved), wrapped=wrapped)
        for value, dy, dx in _peaks(surface, lags, target.shape):
            shift = (dx * steps[1], dy * steps[0])
            place = replace(tried, scan=tried.scan + shift[0], index=tried.index + shift[1])
            found.append((value, place))
    found.sort(key=lambda one: -one[0])
    chosen: list[Registration] = []
    apart = 2 * _SMOOTHING * max(steps)
    for _, one in found:
        if all(math.hypot(one.scan - c.scan, one.index - c.index) > apart for c in chosen):
            chosen.append(one)
        if len(chosen) == _STARTS:
            break
    return chosen


def _flat(values: Floats) -> Floats:
    """Return a map without its plane; NaN stays."""
    known = np.isfinite(values)
    if np.count_nonzero(known) < 4:
        return np.full(values.shape, np.nan)
    rows, columns = np.indices(values.shape)
    plane = np.stack([np.ones(values.size), rows.ravel(), columns.ravel()], axis=1)
    chosen = plane[known.ravel()]
    square, right = (
        np.einsum("ni,nj->ij", chosen, each) for each in (chosen, values[known][:, None])
    )
    terms = np.linalg.lstsq(square, right[:, 0], rcond=None)[0]
    return np.asarray(values - np.einsum("ni,i->n", plane, terms).reshape(values.shape))


def _peaks(
    surface: Floats, lags: list[int], shape: tuple[int, ...]
) -> list[tuple[float, int, int]]:
    """Return the highest local maxima of a correlation within the searched shifts: value, dy, dx."""
    reach = [min(lag, (size - 1) // 2) for lag, size in zip(lags, shape, strict=True)]
    rows = np.arange(-reach[0], reach[0] + 1)
    columns = np.arange(-reach[1], reach[1] + 1)
    part = np.nan_to_num(surface[np.ix_(rows, columns)], nan=-1.0)
    around = np.pad(part, 1, constant_values=-2.0)
    height, width = part.shape
    top = np.ones(part.shape, np.bool_)
    for dy in range(3):
        for dx in range(3):
            top &= part >= around[dy : dy + height, dx : dx + width]
    y, x = np.nonzero(top & (part > -1))
    order = np.argsort(-part[y, x], kind="stable")[:_STARTS]
    return [(float(part[y[k], x[k]]), int(rows[y[k]]), int(columns[x[k]])) for k in order]


def _as_good(best: PatternFit, other: PatternFit, pair: SmoothPair) -> bool:
    """Return whether another fit is at another place and is not clearly worse."""
    apart = math.hypot(
        best.registration.scan - other.registration.scan,
        best.registration.index - other.registration.index,
    )
    if apart < _SMOOTHING * max(pair.later.scan.resolution, pair.later.index.resolution):
        return False
    both = (best.block_misfits[1] > 0) & (other.block_misfits[1] > 0)
    mean_best, mean_other = (
        fit.block_misfits[0, both] / fit.block_misfits[1, both] for fit in (best, other)
    )
    worse = mean_other - mean_best
    if worse.size < 3:
        return True
    spread = float(np.std(worse, ddof=1)) / math.sqrt(worse.size)
    return float(worse.mean()) < _LEAST_LEAD * spread
