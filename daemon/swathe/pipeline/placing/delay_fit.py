"""The delay at which pairs of passes agree best, by Gauss-Newton steps, and its standard error.

At a delay that is wrong by e two passes a and b over a wall f differ by ``-(va - vb) e f'``, where va
and vb are their velocities: a regression of the difference on ``(va - vb) f'``, pooled over pairs,
gives e. Columns that would be taken for a delay are fitted with it where the scan distinguishes them:
features that run obliquely shift each row against the one before in the same direction, whereas
a delay shifts rows with alternating sign; backlash shifts passes by the sign of their velocity,
whatever its magnitude. Differences are weighted as by Huber (P. J. Huber, Ann. Math. Stat. 35, 1964),
so that a pit on one line only does not decide.

The differences are correlated along the lines, and neighbouring pairs share a line. So the variance
is that between clusters, each a segment of some consecutive pairs (K.-Y. Liang & S. L. Zeger,
Biometrika 73, 1986), as a jackknife over clusters, and the quantile is Student's with the degrees of
freedom by Satterthwaite's rule for the jackknife's own distribution (R. M. Bell & D. F. McCaffrey,
Survey Methodology 28, 2002; A. C. Cameron & D. L. Miller, J. Human Resources 50, 2015). A cluster
that has all of the information, such as the only seam, leaves no degree of freedom and an
unbounded interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.special import stdtrit

from swathe.arrays import Bools, Floats, Ints
from swathe.pipeline.placing.delay_profiles import PassReadings, Profiles
from swathe.pipeline.placing.delay_search import DelaySearch

__all__ = ["DelayFit", "Differences", "fit_delay"]

_STEPS = 12
# Huber's constant: 95 % efficient for normal differences.
_HUBER = 1.345
_LOCAL = 12.0
# Columns more alike than this cannot be distinguished.
_ALIKE = 0.9
# Share of the slopes that both passes of pairs must have in common.
_MIN_SHARED = 0.1
# Clusters are so many microscales of the differences, widths of the smoothing and lengths of a feature
# long, at least.
_SCALES, _WIDTHS, _LENGTHS = 4.0, 6.0, 2.0
# Consecutive pairs in a cluster at least, and strips of such pairs at most.
_CLUSTER_PAIRS, _STRIPS = 2, 12
# Features of all lines may run obliquely by this much where no third line shows it (common practice,
# no source: three degrees).
_SLANT = 0.05
# Share of the jitter's measured skewness by which that of another sample of it may differ: it would
# shift a wall of a single wavelength.
_SKEW = 0.3
_COVERAGE = 0.975
# With less a single feature decides, and whether it is the same on both passes nobody knows.
_MIN_DOF = 1.2
# Variance of a cluster's score over that of independent differences: this power of its information,
# twice. In between the two extremes, 0 (noise decides) and 0.5 (features differ from line to line).
_VARYING = 0.25


@dataclass(frozen=True, slots=True)
class Differences:
    """Differences of n pairs of passes on a grid of k points, shape (n, k) each.

    Attributes:
        apart: first less second pass, mm.
        slope: of their mean, mm per mm.
        common: product of both slopes, of which only what both passes show has a mean.
        first: velocity of the first pass, mm/ns, signed.
        second: velocity of the second pass, mm/ns, signed.
        known: where all of them are known.
    """

    apart: Floats
    slope: Floats
    common: Floats
    first: Floats
    second: Floats
    known: Bools

    @classmethod
    def of(cls, profiles: Profiles, pairs: Ints, step: float) -> Differences:
        """Return the differences of profiles, on a grid of some mm a step."""
        a, b = pairs.T
        known = profiles.known[a] & profiles.known[b]
        slopes = np.zeros_like(profiles.thickness)
        slopes[:, 1:-1] = (profiles.thickness[:, 2:] - profiles.thickness[:, :-2]) / (2 * step)
        inner = np.zeros_like(known)
        inner[:, 1:-1] = known[:, 2:] & known[:, :-2] & known[:, 1:-1]
        return cls(
            np.where(inner, profiles.thickness[a] - profiles.thickness[b], 0.0),
            np.where(inner, (slopes[a] + slopes[b]) / 2, 0.0),
            np.where(inner, slopes[a] * slopes[b], 0.0),
            profiles.velocity[a],
            profiles.velocity[b],
            inner,
        )


@dataclass(frozen=True, slots=True)
class DelayFit:
    """A delay with its uncertainty, near one starting point.

    Attributes:
        delay: ns.
        error: standard error, ns.
        half: half width of the 95 % interval, ns.
        constant: the part of `half` that more pairs would not make smaller, ns.
        slant: how far features move from one row to the next, mm.
        oblique: whether features that run obliquely are the larger part of `constant`.
        clusters: effective number of independent clusters: degrees of freedom.
    """

    delay: float
    error: float
    half: float
    constant: float
    slant: float
    oblique: bool
    clusters: float


def fit_delay(
    readings: PassReadings, pairs: Ints, start: DelaySearch, *, spacing: float
) -> DelayFit | None:
    """Return the delay near a starting point; None where there is nothing to fit.

    Args:
        readings: of all passes.
        pairs: passes that are compared, shape (n, 2).
        start: the delay to begin with.
        spacing: of the rows, mm.
    """
    delay, slant = start.delay, start.slant
    across = (readings.rows[pairs[:, 1]] - readings.rows[pairs[:, 0]]).astype(np.float64)
    columns: list[int] = []
    for _ in range(_STEPS):
        found = Differences.of(readings.profiles(delay, slant), pairs, readings.step)
        shifts = _shifts(found, across, readings.speed)
        weight = _weights(found, shifts[0])
        if not columns:
            columns = _distinct_columns(shifts * found.slope, weight)
        shifts = shifts[columns]
        design = np.stack([_centred(shift * found.slope, weight) for shift in shifts])
        rest = _centred(found.apart, weight)
        normal = np.einsum("ink,jnk,nk->ij", design, design, weight)
        response = np.einsum("ink,jnk,nk->ij", shifts, shifts, weight * found.common)
        if not normal[0, 0] > 0 or np.linalg.matrix_rank(normal) < len(columns):
            return None
        shared = float(np.linalg.eigvals(np.linalg.solve(normal, response)).real.min())
        steps = response if shared > _MIN_SHARED else normal
        change = np.linalg.solve(steps, np.einsum("ink,nk->i", design, weight * rest))
        change *= min(1.0, readings.width / max(float(np.abs(change[:2]).max()), 1e-30))
        delay += float(change[0]) / readings.speed
        if 1 in columns:
            slant += float(change[columns.index(1)])
        if abs(change[0]) < 1e-4 * readings.width:
            break
    if shared <= _MIN_SHARED:
        return None
    clusters = _clusters(rest, found.known, readings, start.length)
    return _with_error(
        delay,
        slant,
        readings,
        found,
        _Regression(columns, shifts, design, weight, rest, clusters),
        _SLANT * spacing * across if 1 not in columns else np.zeros_like(across),
    )


@dataclass(frozen=True, slots=True)
class _Regression:
    """The regression at the solution.

    Attributes:
        columns: that are fitted.
        shifts: of the first pass against the second, mm per unit, shape (q, n, k).
        design: differences per unit, shape (q, n, k).
        weight: of each difference, shape (n, k).
        rest: what is left of the differences, mm, shape (n, k).
        clusters: of each difference, shape (n, k).
    """

    columns: list[int]
    shifts: Floats
    design: Floats
    weight: Floats
    rest: Floats
    clusters: Ints

    def by_cluster(self, values: Floats) -> Floats:
        """Return the sum in each cluster, shape (clusters,)."""
        return np.asarray(np.bincount(self.clusters.ravel(), values.ravel()), np.float64)


def _shifts(found: Differences, across: Floats, speed: float) -> Floats:
    """Return by how much a unit of each column shifts the two passes apart, shape (3, n, k).

    The units are the delay in which the usual speed moves by 1 mm, 1 mm of slant per row, 1 mm of
    backlash to either side.
    """
    return np.stack(
        [
            -(found.first - found.second) / speed,
            np.broadcast_to(across[:, None], found.first.shape),
            -(np.sign(found.first) - np.sign(found.second)),
        ]
    )


def _weights(found: Differences, shift: Floats) -> Floats:
    """Return the weight of each difference, from how large those around it are, shape (n, k)."""
    known = found.known.astype(np.float64)
    rest = _centred(found.apart, known)
    around = [
        gaussian_filter1d(values, _LOCAL, axis=1, mode="constant", truncate=3)
        for values in (rest**2 * known, known)
    ]
    local = np.sqrt(np.maximum(around[0], 0.0) / np.maximum(around[1], 1e-3))
    # The scale that counts is where the wall has slopes.
    size = local.ravel()
    order = np.argsort(size, kind="stable")
    total = np.cumsum(((shift * found.slope) ** 2 * known).ravel()[order])
    scale = float(size[order[min(np.searchsorted(total, total[-1] / 2), total.size - 1)]])
    return np.asarray(known * np.minimum(1.0, _HUBER * scale / np.maximum(local, 1e-12)))


def _centred(values: Floats, weight: Floats) -> Floats:
    """Return values less the weighted mean of their pair, shape (n, k)."""
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
    return np.asarray(values - (values * weight).sum(axis=1, keepdims=True) / total)


def _distinct_columns(design: Floats, weight: Floats) -> list[int]:
    """Return the columns that are fitted: the delay's, and those unlike it and each other."""
    normal = np.einsum("ink,jnk,nk->ij", design, design, weight)
    size = np.sqrt(np.maximum(np.diag(normal), 1e-30))
    alike = np.abs(normal / np.outer(size, size))
    chosen = [0]
    for column in (1, 2):
        if normal[column, column] > 0.01 * normal[0, 0] and all(
            alike[column, other] < _ALIKE for other in chosen
        ):
            chosen.append(column)
    return chosen


def _clusters(rest: Floats, known: Bools, readings: PassReadings, feature: float) -> Ints:
    """Return the cluster of each point of each pair, shape (n, k)."""
    steps = np.diff(rest, axis=1)[known[:, 1:] & known[:, :-1]]
    scale = readings.step * math.sqrt(
        float((rest[known] ** 2).mean()) / max(float((steps**2).mean()), 1e-30)
    )
    length = max(_SCALES * scale, _WIDTHS * readings.width, _LENGTHS * feature)
    reach = rest.shape[1] * readings.step
    segments = max(int(reach / length), 1)
    pairs = rest.shape[0]
    depth = max(_CLUSTER_PAIRS, math.ceil(pairs / _STRIPS))
    strips = max(pairs // depth, 1)
    along = np.arange(rest.shape[1]) * segments // rest.shape[1]
    across = np.arange(pairs) * strips // pairs
    return np.asarray(across[:, None] * segments + along)


def _with_error(
    delay: float,
    slant: float,
    readings: PassReadings,
    found: Differences,
    fit: _Regression,
    oblique: Floats,
) -> DelayFit:
    """Return a delay with its uncertainty.

    Args:
        delay: ns.
        slant: mm per row.
        readings: of all passes.
        found: their differences at the solution.
        fit: the regression there.
        oblique: shift of each pair, mm, that is not fitted, shape (n,).
    """
    size = len(fit.columns)
    score = np.stack([fit.by_cluster(one * fit.weight * fit.rest) for one in fit.design], axis=1)
    parts, response = np.empty((2, score.shape[0], size, size))
    for i in range(size):
        for j in range(size):
            parts[:, i, j] = fit.by_cluster(fit.design[i] * fit.design[j] * fit.weight)
            response[:, i, j] = fit.by_cluster(
                fit.shifts[i] * fit.shifts[j] * found.common * fit.weight
            )
    used = parts[:, 0, 0] > 1e-9 * parts[:, 0, 0].sum()
    variance, dof = _jackknife(score[used], parts[used], response[used])
    strips = np.unique(fit.clusters[:, 0]).size
    depth = fit.rest.shape[0] / strips
    if strips > 1:  # pairs at the border of two strips share a line
        variance *= 2 * depth / (2 * depth - 1)
    inverse = np.linalg.inv(response.sum(axis=0))[0]

    def mistaken(differences: Floats) -> float:
        """Return the shift for which some differences would be taken, mm."""
        return float(abs(inverse @ np.einsum("ink,nk->i", fit.design, fit.weight * differences)))

    bend = np.gradient(np.gradient(found.slope, readings.step, axis=1), readings.step, axis=1)
    third = _SKEW * readings.skewed * (found.first**3 - found.second**3) * bend / 6
    slanted, skewed = mistaken(oblique[:, None] * found.slope), mistaken(third) / 2
    constant = math.hypot(slanted, skewed)
    error = math.hypot(math.sqrt(variance), constant) / readings.speed
    quantile = float(stdtrit(dof, _COVERAGE)) if dof >= _MIN_DOF else math.inf
    half = math.hypot(quantile * math.sqrt(variance), 1.96 * constant) / readings.speed
    return DelayFit(
        delay, error, half, 1.96 * constant / readings.speed, slant, slanted > skewed, dof
    )


def _jackknife(score: Floats, parts: Floats, response: Floats) -> tuple[float, float]:
    """Return the variance of the first parameter, and its degrees of freedom.

    Args:
        score: of each cluster, shape (g, q).
        parts: of the variance of the score if differences were independent, shape (g, q, q).
        response: of the score to the parameters, each cluster's, shape (g, q, q).
    """
    count = score.shape[0]
    total = response.sum(axis=0)
    try:
        effect = np.linalg.inv(total - response)[:, 0, :]
    except np.linalg.LinAlgError:
        return math.inf, 0.0
    change = np.einsum("gi,gi->g", effect, score)
    variance = (count - 1) / count * float((change**2).sum())
    # The jackknife's distribution if the score of a cluster varies with its information.
    shares = np.einsum("gi,gij,gj->g", effect, parts, effect)
    varying = (shares / max(float(shares.max()), 1e-300)) ** _VARYING
    whole = np.linalg.inv(parts.sum(axis=0))
    lead = np.einsum("gi,gij->gj", effect, parts)
    own = (np.diag(shares) - lead @ whole @ lead.T) * np.outer(varying, varying)
    trace = float(np.trace(own))
    return variance, trace**2 / max(float((own**2).sum()), 1e-300)
