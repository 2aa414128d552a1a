"""The fit of shift and rotation between two smooth maps, with the uncertainty that the maps carry.

A Gauss-Newton fit of ``later(p) - earlier(q(p)) - plane(p)``, where ``q`` is the place in the earlier map.
The plane takes a loss of wall that differs from one end to the other. Slopes are the mean of both
maps', so that noise of neither pulls the fit, and residuals are weighted after Huber.

What the pattern carries is computed from the product of the slope of one map with that of the other:
noise, which the two do not share, is in no part of it on average, so that a wall without features or
with features in one direction only is seen to carry nothing. The covariance is of the sandwich form over
blocks of the part (Huber, 1967; White, 1980; from memory), which holds for residuals that neighbours
share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats
from swathe.comparison.cell_map import CellMap
from swathe.comparison.registration import Registration
from swathe.comparison.sampling import SmoothMap, nodes_of

__all__ = ["PatternFit", "SmoothPair", "fit_pattern"]

_BLOCKS: Final = 8
_MOST_STEPS: Final = 40
_HUBER: Final = 2.0
_LEAST_CELLS: Final = 64
_LEAST_BLOCKS: Final = 12
_MAD_TO_SD: Final = 1.4826
_LEAST_DOF: Final = 3.0
_TAIL: Final = 0.975


@dataclass(frozen=True, slots=True)
class SmoothPair:
    """Two surveys smoothed alike.

    Attributes:
        earlier: grid of the earlier survey.
        later: grid of the later survey.
        earlier_smooth: its smooth map.
        later_smooth: likewise.
        turns: whether a rotation is looked for.
    """

    earlier: CellMap
    later: CellMap
    earlier_smooth: SmoothMap
    later_smooth: SmoothMap
    turns: bool


@dataclass(frozen=True, slots=True)
class PatternFit:
    """A fit at its end.

    Attributes:
        registration: with its covariance.
        misfit: root mean square of what the two maps differ by, mm.
        correlation: of the two maps after the plane is taken off.
        evidence: correlation of the slopes of the two maps in the direction that is determined worst:
            1 where they are the wall's, 0 on average where they are noise.
        block_misfits: sum of squares and number of cells of each block, shape (2, blocks).
        cells: number of cells that were compared.
        converged: whether the last step was small.
    """

    registration: Registration
    misfit: float
    correlation: float
    evidence: float
    block_misfits: Floats
    cells: int
    converged: bool


def fit_pattern(pair: SmoothPair, start: Registration) -> PatternFit | None:
    """Return the fit that begins at a registration; None where too little is in both surveys."""
    places = _Places(pair, start.centre)
    number = 3 if pair.turns else 2
    now = np.array([start.scan, start.index, start.radians])
    width = max(axis.resolution for axis in (pair.later.scan, pair.later.index) if axis.cells > 1)
    converged = False
    for _ in range(_MOST_STEPS):
        state = places.at(now)
        if state is None:
            return None
        middle = (state.earlier_slopes[:, :number] + state.later_slopes[:, :number]) / 2
        weighted = middle * state.weight[:, None]
        normal = weighted.T @ middle
        try:
            step = np.linalg.solve(normal, weighted.T @ state.residual)
        except np.linalg.LinAlgError:
            return None
        # A step is no longer than the slopes reach.
        far = math.hypot(*step[:2]) + (abs(step[2]) * places.radius if pair.turns else 0.0)
        step *= min(1.0, 2 * width / max(far, 1e-30))
        now[:number] += step
        if far < 1e-3 * width:
            converged = True
            break
    state = places.at(now)
    return None if state is None else _ended(places, state, now, number, converged=converged)


@dataclass(frozen=True, slots=True)
class _State:
    """What is compared at one registration, over the cells that are in both maps.

    Slopes are by (scan shift, index shift, rotation), the plane is taken off all columns.
    """

    where: Bools
    residual: Floats
    weight: Floats
    earlier_slopes: Floats
    later_slopes: Floats
    correlation: float


class _Places:
    """The cells of the later map, and where they are in the earlier one."""

    def __init__(self, pair: SmoothPair, centre: tuple[float, float]) -> None:
        self._pair = pair
        self.centre = centre
        later, smooth = pair.later, pair.later_smooth
        index, scan = np.nonzero(np.isfinite(smooth.values))
        self.scan, self.index = later.scan.centres[scan], later.index.centres[index]
        self._values = smooth.values[index, scan]
        slopes = smooth.derivatives
        self._slopes = np.stack([slopes.along_scan[index, scan], slopes.along_index[index, scan]])
        rows, columns = later.shape
        self.block = (index * _BLOCKS // rows) * _BLOCKS + scan * _BLOCKS // columns
        away = np.hypot(self.scan - centre[0], self.index - centre[1])
        self.radius = float(np.sqrt(np.mean(away**2))) if away.size else 0.0

    def at(self, parameters: Floats) -> _State | None:
        """Return what is compared at shift and rotation; None where it is too little."""
        earlier, smooth = self._pair.earlier, self._pair.earlier_smooth
        x, y, turn = parameters.tolist()
        dx, dy = self.scan - self.centre[0] - x, self.index - self.centre[1] - y
        cosine, sine = math.cos(turn), math.sin(turn)
        qx, qy = cosine * dx + sine * dy, -sine * dx + cosine * dy
        nodes = nodes_of(earlier.scan, earlier.index, qx + self.centre[0], qy + self.centre[1])
        values = nodes.mean(smooth.values)
        where = np.isfinite(values)
        if np.count_nonzero(where) < _LEAST_CELLS:
            return None
        along, across = (nodes.mean(each)[where] for each in smooth.derivatives[:2])
        qx, qy = qx[where], qy[where]

        def by_parameters(slope_x: Floats, slope_y: Floats) -> Floats:
            return np.stack(
                [
                    -cosine * slope_x + sine * slope_y,
                    -sine * slope_x - cosine * slope_y,
                    slope_x * qy - slope_y * qx,
                ],
                axis=1,
            )

        # The later map's slopes, turned into the axes of the earlier one.
        own = self._slopes[:, where]
        turned = cosine * own[0] + sine * own[1], -sine * own[0] + cosine * own[1]
        u, v = self.scan[where] - self.centre[0], self.index[where] - self.centre[1]
        plane = np.stack([np.ones(u.size), u / (np.abs(u).max() or 1), v / (np.abs(v).max() or 1)])
        basis, _ = np.linalg.qr(plane.T)
        columns = np.column_stack(
            [
                self._values[where],
                values[where],
                by_parameters(along, across),
                by_parameters(*turned),
            ]
        )
        columns -= basis @ (basis.T @ columns)
        later_part, earlier_part = columns[:, 0], columns[:, 1]
        residual = later_part - earlier_part
        spread = _MAD_TO_SD * float(np.median(np.abs(residual)))
        weight = np.minimum(1.0, _HUBER * spread / np.maximum(np.abs(residual), 1e-300))
        size = math.sqrt(float(later_part @ later_part) * float(earlier_part @ earlier_part))
        correlation = float(later_part @ earlier_part) / size if size else 0.0
        return _State(where, residual, weight, columns[:, 2:5], columns[:, 5:8], correlation)


def _ended(
    places: _Places, state: _State, now: Floats, number: int, *, converged: bool
) -> PatternFit | None:
    """Return the fit with its covariance, and with how sure it is that the pattern carries it."""
    block = places.block[state.where]
    first, second = state.earlier_slopes[:, :number], state.later_slopes[:, :number]
    middle = (first + second) / 2
    names, block = np.unique(block, return_inverse=True)
    blocks = names.size
    if blocks < _LEAST_BLOCKS:
        return None
    products = np.empty((blocks, number, number))
    scores = np.empty((blocks, number))
    for k in range(number):
        scores[:, k] = np.bincount(
            block, state.weight * middle[:, k] * state.residual, minlength=blocks
        )
        for j in range(number):
            both = first[:, k] * second[:, j] + first[:, j] * second[:, k]
            products[:, k, j] = np.bincount(block, state.weight * both / 2, minlength=blocks)
    # A rotation counts by how far it moves a place at the mean distance from the centre.
    scale = np.array([1.0, 1.0, places.radius or 1.0])[:number]
    scaled = products / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(scaled.sum(axis=0))
    worst = vectors[:, 0]
    size = [float(np.sum(state.weight * (each / scale @ worst) ** 2)) for each in (first, second)]
    evidence = float(values[0]) / math.sqrt(size[0] * size[1]) if min(size) > 0 else 0.0
    covariance = np.zeros((3, 3))
    if values[0] > 0:
        covariance[:number, :number] = _jackknife(products, scores)
    squares = np.bincount(block, state.residual**2, minlength=blocks)
    counts = np.bincount(block, minlength=blocks).astype(np.float64)
    everywhere = np.zeros((2, _BLOCKS * _BLOCKS))
    everywhere[:, names] = squares, counts
    scan, index, turn = now.tolist()
    return PatternFit(
        Registration(
            scan=scan,
            index=index,
            rotation=math.degrees(turn),
            centre=places.centre,
            basis="pattern",
            covariance=covariance,
            stated=True,
        ),
        math.sqrt(float(squares.sum() / counts.sum())),
        state.correlation,
        evidence,
        everywhere,
        int(counts.sum()),
        converged,
    )


def _jackknife(products: Floats, scores: Floats) -> Floats:
    """Return the covariance of a fit from what changes as each block in turn is left out.

    The blocks' residuals are small where a single block decides the fit; leaving it out shows it.
    The covariance is widened so that the 95 % interval of a normal distribution is that of Student's t.

    Args:
        products: information of each block, shape (blocks, parameters, parameters).
        scores: slopes times residuals of each block, shape (blocks, parameters).
    """
    from scipy.special import ndtri, stdtrit

    whole = products.sum(axis=0)
    rest = whole - products
    # Where the rest carries nothing, the whole is left: such a fit is refused by its evidence.
    sound = np.linalg.eigvalsh(rest)[:, 0] > 0
    changes = np.linalg.solve(np.where(sound[:, None, None], rest, whole), scores[:, :, None])
    changes = changes[:, :, 0]
    blocks, number = scores.shape
    found = changes.T @ changes * (blocks - 1) / blocks
    # Blocks count by the share of the information that they carry; few of them are a small sample.
    parts = np.trace(np.linalg.solve(whole, products), axis1=1, axis2=2) / number
    dof = max(1 / float(parts @ parts) - number, _LEAST_DOF)
    return np.asarray(found * (stdtrit(dof, _TAIL) / ndtri(_TAIL)) ** 2)
