"""Where pairs of passes agree over the whole range of delays, and which agreement is no accident.

An even wall agrees at some delay by accident, and a periodic one at several. The best delay counts
as found, and another as excluded, if the disagreement is larger by more than an F test at a level
of 10⁻⁴ lets pass, with as many degrees of freedom as the wall has independent features (the
effective number of segments that differ when they are shifted).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtri, stdtrit

from swathe.arrays import Bools, Floats, Ints
from swathe.pipeline.placing.delay_profiles import PassReadings

__all__ = ["DelaySearch", "search_delay"]

_LEVEL = 0.01
# Neighbouring pairs share a line: their segments agree and differ together, to some extent.
_SHARED = 1.2
# Delays at which the microscale of the wall is taken.
_SAMPLED = 8
# Differences that are larger by less than this do not exclude a delay, however significant.
_CLEARLY = 1.1
# Steepest run of features against the rows that is looked for.
_STEEPEST = 1.0
_SLANTS = 2
# Share of two passes that must overlap under a delay for it to be evaluated.
_MIN_OVERLAP = 0.4
# Further minima that are searched between the points of the search.
_MOST_MINIMA = 12
# Microscales after which two places of the wall are independent.
_INDEPENDENT_SCALES = 3.0


@dataclass(frozen=True, slots=True)
class DelaySearch:
    """What agrees over the range of delays.

    Attributes:
        delay: at which pairs agree best, ns.
        slant: at which they do, mm per row.
        features: effective number of independent features of the wall.
        length: of a feature, mm.
        others: further delays that agree as well, as far as the wall can show, ns.
        low_open: whether delays at the lower end of the range are not excluded.
        high_open: whether delays at the upper end are not.
    """

    delay: float
    slant: float
    features: float
    length: float
    others: Floats
    low_open: bool
    high_open: bool


def search_delay(
    readings: PassReadings, pairs: Ints, *, longest_ns: float, spacing: float
) -> DelaySearch | None:
    """Return what agrees over a range of delays; None where no two passes overlap.

    Args:
        readings: of all passes.
        pairs: passes that are compared, shape (n, 2).
        longest_ns: delays to either side of zero that are tried.
        spacing: of the rows, mm.
    """
    step = readings.width / readings.speed / 2
    most = math.ceil(longest_ns / step)
    delays = np.arange(-most, most + 1, dtype=np.float64) * step
    across = readings.rows[pairs[:, 1]] - readings.rows[pairs[:, 0]]
    slants = _slants(readings, pairs, across, spacing)
    compare = _Comparison(readings, pairs, across * slants[:, None])
    scale = compare.scale(delays[:: max(delays.size // _SAMPLED, 1)])
    segment = max(round(_INDEPENDENT_SCALES * scale), 1)
    found = [compare.at(delay, segment) for delay in delays.tolist()]
    straight = _Landscape([one[0] for one in found])
    if straight.lowest is None:
        return None
    places = 4 * longest_ns * readings.speed / (segment * readings.step) + 1
    level = _LEVEL / places
    verdict = straight.verdict(compare, step, segment, level)
    if slants.size > 1:
        slanted = _Landscape([one[1] for one in found]).verdict(compare, step, segment, level)
        # Straight features are the rule: oblique ones need evidence as another delay does.
        if slanted.best.cost < verdict.best.cost and _excluded(
            slanted.best, verdict.best, slanted.limit, level
        ):
            verdict = slanted
    return DelaySearch(
        verdict.best.delay,
        float(slants[verdict.best.slant]) * readings.step,
        verdict.features,
        segment * readings.step,
        verdict.others,
        verdict.low_open,
        verdict.high_open,
    )


@dataclass(frozen=True, slots=True)
class _Agreement:
    """How far pairs of passes differ at a delay.

    Attributes:
        delay: ns.
        slant: number of the slant.
        apart: sum of the absolute differences in each segment, mm, shape (n, segments).
        count: points of it, shape (n, segments).
    """

    delay: float
    slant: int
    apart: Floats
    count: Floats

    @property
    def cost(self) -> float:
        """Mean absolute difference, mm."""
        return float(self.apart.sum() / max(self.count.sum(), 1))


@dataclass(frozen=True, slots=True)
class _Verdict:
    """Which delays of a landscape are not excluded."""

    best: _Agreement
    features: float
    limit: float
    others: Floats
    low_open: bool
    high_open: bool


class _Landscape:
    """How far pairs differ over the range of delays.

    Args:
        found: at each delay, rising.

    Attributes:
        lowest: number of the delay at which they differ least; None where no two passes overlap.
    """

    def __init__(self, found: list[_Agreement]) -> None:
        self._found = found
        apart, count = (
            np.stack([one.apart for one in found]),
            np.stack([one.count for one in found]),
        )
        lengths = count.sum(axis=2).max(axis=0)
        # What overlaps of two passes that are shifted far may be an even wall, which always agrees.
        enough = count.sum(axis=2) >= _MIN_OVERLAP * np.maximum(lengths, 1)
        apart, count = apart * enough[:, :, None], count * enough[:, :, None]
        overlap = count.sum(axis=(1, 2))
        cost = apart.sum(axis=(1, 2)) / np.maximum(overlap, 1)
        self._cost = np.where(overlap >= _MIN_OVERLAP * max(lengths.sum(), 1), cost, np.nan)
        known = np.isfinite(self._cost)
        self.lowest = int(np.nanargmin(self._cost)) if known.any() else None
        usual = np.median(apart / np.maximum(count, 1), axis=0) ** 2
        self._features = max(float(usual.sum() ** 2 / max(float((usual**2).sum()), 1e-300)), 1.0)

    def verdict(self, compare: _Comparison, step: float, segment: int, level: float) -> _Verdict:
        """Return which delays agree as well as the best one, as far as the wall shows."""
        found, lowest = self._found, self.lowest or 0
        known = np.flatnonzero(np.isfinite(self._cost))
        filled = np.where(np.isfinite(self._cost), self._cost, np.nanmedian(self._cost))
        inner = filled[1:-1]
        minima = np.flatnonzero((inner <= filled[:-2]) & (inner < filled[2:])) + 1
        minima = minima[minima != lowest]
        limit = float(fdtri(self._features, self._features, 1 - level))
        best = compare.refined(found[lowest], step, segment)
        # Between the points of the search a minimum is deeper, by no more than its neighbours are
        # higher.
        depth = 2 * filled[minima] - np.maximum(filled[minima - 1], filled[minima + 1])
        depth = np.maximum(depth, 0.0)
        minima = minima[np.argsort(depth, kind="stable")]
        near = minima[np.sort(depth) ** 2 < limit * best.cost**2]
        refined = [compare.refined(found[at], step, segment) for at in near[:_MOST_MINIMA].tolist()]
        best = min([best, *refined], key=lambda one: one.cost)
        refined += [found[at] for at in near[_MOST_MINIMA:].tolist()]
        others = [
            one.delay
            for one in [found[lowest], *refined]
            if abs(one.delay - best.delay) > step and not _excluded(best, one, limit, level)
        ]
        return _Verdict(
            best,
            self._features,
            limit,
            np.array(sorted(others)),
            not _excluded(best, found[int(known[0])], limit, level),
            not _excluded(best, found[int(known[-1])], limit, level),
        )


def _excluded(best: _Agreement, other: _Agreement, limit: float, level: float) -> bool:
    """Return whether another agreement is excluded by the F test or by the paired t test."""
    ratio = other.cost / max(best.cost, 1e-30)
    return ratio**2 > limit or (ratio > _CLEARLY and _differs(best, other, level))


def _differs(best: _Agreement, other: _Agreement, level: float) -> bool:
    """Return whether segments differ clearly more at another delay, by a paired t test."""
    both = (best.count > 0) & (other.count > 0)
    if both.sum() < 3:
        return False
    more = (other.apart[both] / other.count[both]) - (best.apart[both] / best.count[both])
    error = _SHARED * float(np.std(more, ddof=1)) / math.sqrt(more.size)
    return float(more.mean()) > float(stdtrit(more.size - 1, 1 - level)) * error


class _Comparison:
    """Compares pairs of passes at one delay after another."""

    def __init__(self, readings: PassReadings, pairs: Ints, shifts: Ints) -> None:
        self._readings = readings
        self._a, self._b = pairs.T
        # Steps of the grid by which second passes are shifted, shape (slants, n).
        self._shifts = shifts

    def _differences(self, delay: float, slant: int | None = None) -> list[tuple[Floats, Bools]]:
        profiles = self._readings.profiles(delay)
        first = profiles.thickness[self._a], profiles.known[self._a]
        second = profiles.thickness[self._b], profiles.known[self._b]
        shifts = self._shifts if slant is None else self._shifts[slant : slant + 1]
        return [_apart(first, second, shift) for shift in shifts]

    def scale(self, delays: Floats) -> float:
        """Return the usual microscale of the differences, points of the grid."""
        scales = [1.0]
        for delay in delays.tolist():
            difference, known = self._differences(delay)[len(self._shifts) // 2]
            inside = known[:, 1:] & known[:, :-1]
            if inside.any():
                bends = float((np.diff(difference, axis=1)[inside] ** 2).mean())
                scales.append(math.sqrt(float((difference[known] ** 2).mean()) / max(bends, 1e-30)))
        return float(np.median(scales))

    def at(self, delay: float, segment: int) -> tuple[_Agreement, _Agreement]:
        """Return how far pairs differ at a delay: without slant, and at the best one."""
        tried = self._differences(delay)
        costs = [float(np.abs(d).sum() / max(k.sum(), 1)) for d, k in tried]
        straight = self._agreement(delay, len(tried) // 2, tried, segment)
        number = int(np.argmin(costs))
        if number == straight.slant:
            return straight, straight
        return straight, self._agreement(delay, number, tried, segment)

    def _agreement(
        self, delay: float, slant: int, tried: list[tuple[Floats, Bools]], segment: int
    ) -> _Agreement:
        difference, known = tried[slant]
        borders = np.arange(0, difference.shape[1], segment)
        return _Agreement(
            delay,
            slant,
            np.add.reduceat(np.abs(difference), borders, axis=1),
            np.add.reduceat(known.astype(np.float64), borders, axis=1),
        )

    def refined(self, best: _Agreement, step: float, segment: int) -> _Agreement:
        """Return the agreement at the best delay within a step of the search to either side."""
        for part in (step / 2, step / 4, step / 8, step / 16, step / 32):
            for delay in (best.delay - part, best.delay + part):
                tried = self._differences(delay, best.slant)
                other = self._agreement(delay, 0, tried, segment)
                if other.cost < best.cost:
                    best = replace(other, slant=best.slant)
        return best


def _slants(readings: PassReadings, pairs: Ints, across: Ints, spacing: float) -> Ints:
    """Return slants that are tried, in steps of the grid per row, rising, with 0 in the middle."""
    contrast = np.diff(np.asarray(readings.signs)[pairs], axis=1)[:, 0]
    turned = across * contrast
    if not ((turned > 0).any() and (turned < 0).any()):
        return np.zeros(1, np.int64)
    most = int(_STEEPEST * spacing / readings.step)
    each = max(most // _SLANTS, 1)
    half = np.arange(each, most + 1, each)
    return np.concatenate((-half[::-1], [0], half))


def _apart(
    first: tuple[Floats, Bools], second: tuple[Floats, Bools], shifts: Ints
) -> tuple[Floats, Bools]:
    """Return the differences of pairs less their mean, and where both are known.

    Args:
        first: thickness and where it is known of the first passes, shape (n, k) each.
        second: those of the second passes.
        shifts: of the second passes, points of the grid, shape (n,).
    """
    apart, known = np.zeros_like(first[0]), np.zeros_like(first[1])
    k = apart.shape[1]
    for shift in np.unique(shifts).tolist():
        mine = np.flatnonzero(shifts == shift)
        here = slice(max(-shift, 0), min(k - shift, k))
        there = slice(max(shift, 0), min(k + shift, k))
        known[mine, here] = first[1][mine, here] & second[1][mine, there]
        apart[mine, here] = first[0][mine, here] - second[0][mine, there]
    middle = (apart * known).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return np.where(known, apart - middle[:, None], 0.0), known
