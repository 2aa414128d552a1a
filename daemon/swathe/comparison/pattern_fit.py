"""The fit of shift and rotation between two smooth maps, with the uncertainty that the maps carry.

A Gauss-Newton fit of ``later(p) - earlier(q(p)) - loss(p)``, where ``q`` is the place in the earlier map.
The loss is a sum of cosines over the part, the shortest several times as long as what is smoothed
over: a wall that loses more in one region than in another does not pull the fit. Slopes are the
mean of both maps', so that noise of neither pulls it, and residuals have Tukey's weights: places
that lost much more than those around them have none (J. W. Tukey's biweight; from memory).

What the pattern carries is computed from the product of the slope of one map with that of the other:
noise, which the two do not share, is in no part of it on average, so that a wall without features or
with features in one direction only is seen to carry nothing. The covariance is of the sandwich form over
blocks of the part (P. J. Huber, 1967; H. White, 1980; from memory), which holds for residuals that neighbours
share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats, Ints
from swathe.comparison.cell_map import CellMap
from swathe.comparison.registration import Registration
from swathe.comparison.sampling import SmoothMap, nodes_of

__all__ = ["PatternFit", "SmoothPair", "fit_pattern"]

_BLOCKS: Final = 8
_MOST_STEPS: Final = 25
# Tukey's constant for 95 % efficiency on normal residuals; from memory.
_TUKEY: Final = 4.685
# Half a wave of the shortest cosine of the loss, in what is smoothed over; and the most cosines on an axis.
_HALF_WAVE: Final = 10.0
_MOST_COSINES: Final = 8
_LEAST_CELLS: Final = 64
_LEAST_BLOCKS: Final = 12
_MAD_TO_SD: Final = 1.4826
_LEAST_DOF: Final = 3.0
# A loss that follows the pattern itself pulls the fit by more than its residuals show: in simulations
# (tests/benchmarks/compare.py) errors were 1.3 to 1.5 times the standard uncertainty without this factor.
_WIDENED: Final = 1.5
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
        width: standard deviation of the Gaussian on the (scan, index) axis, mm.
    """

    earlier: CellMap
    later: CellMap
    earlier_smooth: SmoothMap
    later_smooth: SmoothMap
    turns: bool
    width: tuple[float, float]


@dataclass(frozen=True, slots=True)
class PatternFit:
    """A fit at its end.

    Attributes:
        registration: with its covariance.
        misfit: root mean square of what the two maps differ by, mm.
        correlation: of the two maps without what the loss may be.
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
        normal = np.einsum("ni,nj->ij", weighted, middle)
        try:
            step = np.linalg.solve(normal, np.einsum("ni,n->i", weighted, state.residual))
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

    Slopes are by (scan shift, index shift, rotation); what the loss may be is taken off all columns.
    """

    where: Bools
    residual: Floats
    weight: Floats
    change: Floats
    earlier_slopes: Floats
    later_slopes: Floats
    correlation: float


class _Places:
    """The cells of the later map, and where they are in the earlier one."""

    def __init__(self, pair: SmoothPair, centre: tuple[float, float]) -> None:
        self._pair = pair
        self.centre = centre
        later, smooth = pair.later, pair.later_smooth
        # Smoothed values next to each other say the same twice.
        step = [
            max(1, int(width / axis.resolution))
            for width, axis in zip(pair.width, (later.scan, later.index), strict=True)
        ]
        index, scan = np.nonzero(np.isfinite(smooth.values[:: step[1], :: step[0]]))
        index, scan = index * step[1], scan * step[0]
        self.scan, self.index = later.scan.centres[scan], later.index.centres[index]
        self._values = smooth.values[index, scan]
        slopes = smooth.derivatives
        self._slopes = np.stack([slopes.along_scan[index, scan], slopes.along_index[index, scan]])
        rows, columns = later.shape
        self.block = (index * _BLOCKS // rows) * _BLOCKS + scan * _BLOCKS // columns
        self._basis = _cosines(
            *(
                ((at - axis.start) / axis.resolution + 0.5, axis.cells, axis.resolution / width)
                for at, axis, width in (
                    (self.scan, later.scan, pair.width[0]),
                    (self.index, later.index, pair.width[1]),
                )
            )
        )
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
        basis = self._basis[where]
        columns = np.column_stack(
            [
                self._values[where],
                values[where],
                by_parameters(along, across),
                by_parameters(*turned),
            ]
        )
        # The cosines are nearly at right angles to each other: their normal equations are sound.
        # Without the threads of a linear algebra library, which cost more than they save here.
        square, right = (np.einsum("ni,nj->ij", basis, each) for each in (basis, columns))
        terms = np.linalg.solve(square + 1e-9 * np.eye(square.shape[0]), right)
        columns -= np.einsum("ni,ij->nj", basis, terms)
        later_part, earlier_part = columns[:, 0], columns[:, 1]
        residual = later_part - earlier_part
        spread = _MAD_TO_SD * float(np.median(np.abs(residual)))
        share = residual / max(_TUKEY * spread, 1e-300)
        inner = np.maximum(1 - np.square(share), 0.0)
        weight = np.square(inner)
        # How the weighted residual changes with the residual itself.
        change = inner * (1 - 5 * np.square(share))
        size = math.sqrt(float(np.square(later_part).sum()) * float(np.square(earlier_part).sum()))
        correlation = float((later_part * earlier_part).sum()) / size if size else 0.0
        return _State(
            where, residual, weight, change, columns[:, 2:5], columns[:, 5:8], correlation
        )


def _cosines(*axes: tuple[Floats, int, float]) -> Floats:
    """Return products of cosines over both axes, shape (places, terms), the constant first.

    Args:
        axes: of each the places in cells, from the border of the first one; how many cells it has; and
            the width of a cell in what is smoothed over.
    """
    parts: list[Floats] = []
    for at, cells, width in axes:
        terms = 1 + min(int(cells * width / _HALF_WAVE), _MOST_COSINES - 1)
        # A straight line is among them where there is room for no cosine.
        waves = [np.cos(np.pi * number * at / cells) for number in range(max(terms, 2))]
        parts.append(np.stack(waves, axis=1))
    return np.asarray(np.einsum("pi,pj->pij", *parts).reshape(parts[0].shape[0], -1))


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
            products[:, k, j] = np.bincount(block, state.change * both / 2, minlength=blocks)
    # A rotation counts by how far it moves a place at the mean distance from the centre.
    scale = np.array([1.0, 1.0, places.radius or 1.0])[:number]
    scaled = products / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(scaled.sum(axis=0))
    worst = vectors[:, 0]
    size = [float(np.sum(state.weight * (each / scale @ worst) ** 2)) for each in (first, second)]
    shared = float(np.sum(state.weight * (first / scale @ worst) * (second / scale @ worst)))
    evidence = shared / math.sqrt(size[0] * size[1]) if min(size) > 0 else 0.0
    covariance = np.zeros((3, 3))
    if values[0] > 0:
        covariance[:number, :number] = _jackknife(products, scores, names)
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


def _jackknife(products: Floats, scores: Floats, names: Ints) -> Floats:
    """Return the covariance of a fit from what changes as each block in turn is left out.

    The blocks' residuals are small where a single block decides the fit; leaving it out shows it.
    The covariance is widened so that the 95 % interval of a normal distribution is that of Student's t,
    and once more, see `_WIDENED`.

    Args:
        products: information of each block, shape (blocks, parameters, parameters).
        scores: slopes times residuals of each block, shape (blocks, parameters).
        names: number of each block in the grid of blocks: what is smoothed over a border is in both
            blocks there, so that neighbours count together (weights after M. S. Bartlett).
    """
    from scipy.special import ndtri, stdtrit

    whole = products.sum(axis=0)
    rest = whole - products
    # Where the rest carries nothing, the whole is left: such a fit is refused by its evidence.
    sound = np.linalg.eigvalsh(rest)[:, 0] > 0
    changes = np.linalg.solve(np.where(sound[:, None, None], rest, whole), scores[:, :, None])
    changes = changes[:, :, 0]
    blocks, number = scores.shape
    row, column = np.divmod(names, _BLOCKS)
    apart = [np.abs(each[:, None] - each[None, :]) for each in (row, column)]
    together = np.prod([np.maximum(0.0, 1 - each / 2) for each in apart], axis=0)
    found = changes.T @ together @ changes * (blocks - 1) / blocks
    # Blocks count by the share of the information that they carry; few of them are a small sample.
    parts = np.trace(np.linalg.solve(whole, products), axis1=1, axis2=2) / number
    dof = max(1 / float(parts @ parts) - number, _LEAST_DOF)
    return np.asarray(found * (_WIDENED * stdtrit(dof, _TAIL) / ndtri(_TAIL)) ** 2)
