"""The delay between encoder and gauge, measured on a serpentine raster itself.

A gauge whose readings come late by an unknown delay shows the wall shifted along the scan axis, one
way on lines run forth, the other way on lines run back. The delay is the one that, taken off, makes
neighbouring lines run in opposite directions agree best. Neighbouring lines measure nearly the same
wall, but not quite, and a flat wall shows nothing: so the pairs of lines are split into groups, each
of which is evaluated by itself, and the result counts only if they agree.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

__all__ = ["DelayEstimate", "LinePass", "estimate_delay", "find_passes"]

# Shifts between a coarse and a fine search, in steps of the profile's grid.
_COARSE_PER_CELL = 4
_FINE_STEPS = 10
# Groups of pairs that must agree, and pairs that a group needs.
_GROUPS = 4
_PAIRS_PER_GROUP = 2
# Agreement that counts: standard error of the groups' mean, and the farthest group, ns.
_SURE_ERROR_NS = 750_000.0
_SURE_SPREAD_NS = 3_000_000.0
# The best delay must make lines agree this much better than a wrong one does.
_SURE_GAIN = 0.6
# A pass shorter than this many cells, or with fewer readings than these, is left out.
_SHORTEST_CELLS = 20
_FEWEST_READINGS = 20
# Share of two lines that must overlap under a delay for it to be evaluated.
_MIN_OVERLAP = 0.4
_MORE_PAIRS = "more lines run both ways over a wall with features, such as a step, a weld or pits"


@dataclass(frozen=True, slots=True)
class LinePass:
    """One run along one line: its readings, and the path of the probe around them.

    Attributes:
        row: line of the grid.
        times: of the readings, ns on the host's clock, rising, shape (n,).
        thickness: mm, shape (n,).
        path_times: of the encoder's samples, ns, rising, shape (m,).
        path: scan position, mm, shape (m,).
    """

    row: int
    times: NDArray[np.int64]
    thickness: NDArray[np.float64]
    path_times: NDArray[np.int64]
    path: NDArray[np.float64]

    @property
    def speed(self) -> float:
        """Mean velocity along the scan axis, mm/ns, signed."""
        return float((self.path[-1] - self.path[0]) / (self.path_times[-1] - self.path_times[0]))


@dataclass(frozen=True, slots=True)
class DelayEstimate:
    """The delay that a scan shows in addition to the one in force, with its uncertainty.

    Attributes:
        delay: ns to subtract from the readings' times in addition to what is subtracted already.
        error: its standard error, ns; infinite where the scan shows nothing.
        low: lower end of the 95 % interval, ns; may be -inf.
        high: upper end of the 95 % interval, ns; may be inf.
        pairs: pairs of passes that were compared.
        sure: whether the interval is narrow enough to apply the delay.
        reason: why it is not sure; empty when it is.
        needs: what it takes to be sure; empty when it is.
    """

    delay: float
    error: float
    low: float
    high: float
    pairs: int
    sure: bool
    reason: str
    needs: str

    @classmethod
    def unknown(cls, pairs: int, reason: str, needs: str) -> DelayEstimate:
        """Return that nothing is known, and why.

        Args:
            pairs: pairs of passes that there were.
            reason: why nothing is known.
            needs: what it takes to know.
        """
        return cls(
            0.0, math.inf, -math.inf, math.inf, pairs, sure=False, reason=reason, needs=needs
        )


def find_passes(
    rows: NDArray[np.int64],
    times: NDArray[np.int64],
    thickness: NDArray[np.float64],
    path_times: NDArray[np.int64],
    path: NDArray[np.float64],
    path_rows: NDArray[np.int64],
    resolution: float,
) -> list[LinePass]:
    """Return the passes of a scan: stretches of the path along one line in one direction.

    Args:
        rows: line of each reading, shape (n,).
        times: of the readings, ns, rising, shape (n,).
        thickness: of the readings, mm; NaN where there was no echo, shape (n,).
        path_times: of the encoder's samples, ns, rising, shape (m,).
        path: scan position of the samples, mm, shape (m,).
        path_rows: line of the samples, -1 off the grid, shape (m,).
        resolution: of the scan axis, mm.
    """
    step = np.diff(path)
    # Direction of each step; a standstill belongs to the direction before it.
    direction = np.sign(step).astype(np.int64)
    moving = np.flatnonzero(direction)
    if not moving.size:
        return []
    last = moving[np.maximum(np.searchsorted(moving, np.arange(step.size), side="right") - 1, 0)]
    direction = direction[last]
    changes = (np.diff(direction) != 0) | (np.diff(path_rows[1:]) != 0)
    borders = np.concatenate(([0], np.flatnonzero(changes) + 1, [step.size]))
    found = []
    for first, end in zip(borders[:-1].tolist(), borders[1:].tolist(), strict=True):
        stretch = slice(first, end + 1)
        row = int(path_rows[end - 1])
        if row < 0 or abs(path[end] - path[first]) < _SHORTEST_CELLS * resolution:
            continue
        low, high = np.searchsorted(times, path_times[[first, end]])
        mine = np.flatnonzero((rows[low:high] == row) & np.isfinite(thickness[low:high])) + low
        if mine.size >= _FEWEST_READINGS:
            found.append(
                LinePass(row, times[mine], thickness[mine], path_times[stretch], path[stretch])
            )
    return found


def estimate_delay(
    passes: Sequence[LinePass], *, resolution: float, longest_ns: float = 200e6
) -> DelayEstimate:
    """Return the delay that makes neighbouring lines agree best.

    Args:
        passes: of the scan, in order of time.
        resolution: of the scan axis, mm.
        longest_ns: delays to either side of zero that are tried.
    """
    pairs = [
        (a, b)
        for a, b in itertools.pairwise(passes)
        if abs(a.row - b.row) <= 1 and a.speed * b.speed < 0
    ]
    if len(pairs) < _GROUPS * _PAIRS_PER_GROUP:
        reason = (
            f"{len(pairs)} pairs of neighbouring lines run in opposite directions, "
            f"{_GROUPS * _PAIRS_PER_GROUP} are needed"
        )
        return DelayEstimate.unknown(len(pairs), reason, _MORE_PAIRS)
    speed = float(np.median([abs(one.speed) for pair in pairs for one in pair]))
    step = resolution / _COARSE_PER_CELL / speed
    most = int(np.ceil(longest_ns / step))
    coarse = np.arange(-most, most + 1, dtype=np.float64) * step
    every = np.stack([_disagreement(a, b, coarse, resolution) for a, b in pairs])
    # Two pieces of lines with an obstruction between them have nothing to agree on.
    meet = np.asarray(np.isfinite(every).any(axis=1))
    pairs, costs = [pair for pair, met in zip(pairs, meet, strict=True) if met], every[meet]
    if len(pairs) < _GROUPS * _PAIRS_PER_GROUP:
        reason = f"only {len(pairs)} pairs of neighbouring lines overlap"
        return DelayEstimate.unknown(len(pairs), reason, _MORE_PAIRS)
    total = _mean(costs)
    best = float(coarse[np.nanargmin(total)])
    spread = np.arange(-2 * _FINE_STEPS, 2 * _FINE_STEPS + 1, dtype=np.float64)
    fine = np.asarray(best + spread * (step / _FINE_STEPS), np.float64)
    fine_costs = np.stack([_disagreement(a, b, fine, resolution) for a, b in pairs])
    delay = _lowest(fine, _mean(fine_costs))
    groups = []
    for group in range(_GROUPS):
        mine = _mean(costs[group::_GROUPS])
        near = abs(float(coarse[np.nanargmin(mine)]) - best) <= 2 * step
        mean = _mean(fine_costs[group::_GROUPS])
        groups.append(_lowest(fine, mean) if near else float(coarse[np.nanargmin(mine)]))
    error = float(np.std(groups, ddof=1) / np.sqrt(_GROUPS))
    reason = _why_unsure(np.array(groups) - delay, error, total)
    half = float(stdtrit(_GROUPS - 1, 0.975)) * error
    return DelayEstimate(
        delay,
        error,
        delay - half,
        delay + half,
        len(pairs),
        sure=not reason,
        reason=reason,
        needs=_MORE_PAIRS if reason else "",
    )


def _why_unsure(apart: NDArray[np.float64], error: float, total: NDArray[np.float64]) -> str:
    """Return why an estimate is not sure; empty when it is."""
    gain = float(np.nanmin(total) / np.nanmedian(total))
    if gain > _SURE_GAIN:
        return "the wall is too even, or was scanned too slowly, to tell: no delay makes lines agree better"
    if np.max(np.abs(apart)) > _SURE_SPREAD_NS or error > _SURE_ERROR_NS:
        return (
            f"the lines do not agree on a delay: groups of them differ by up to "
            f"{np.max(np.abs(apart)) / 1e6:.1f} ms"
        )
    return ""


def _mean(costs: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean over pairs for each delay; NaN where fewer than half of them overlap.

    Far from the true delay short lines no longer overlap: a few long ones left over are no mean.
    """
    known = np.isfinite(costs)
    count = known.sum(axis=0)
    sums = np.where(known, costs, 0.0).sum(axis=0)
    # Where no delay has half of them overlapping, those with the most count.
    enough = count >= min(costs.shape[0] / 2, count.max())
    return np.asarray(np.where(enough, sums / np.maximum(count, 1), np.nan))


def _lowest(delays: NDArray[np.float64], cost: NDArray[np.float64]) -> float:
    """Return where a parabola through the lowest point and its surroundings is lowest."""
    k = int(np.clip(np.nanargmin(cost), 0, delays.size - 1))
    window = slice(max(k - _FINE_STEPS, 0), min(k + _FINE_STEPS + 1, delays.size))
    x, y = delays[window] - delays[k], cost[window]
    x, y = x[np.isfinite(y)], y[np.isfinite(y)]
    curve, slope, _ = np.polyfit(x, y, 2)
    if curve <= 0:
        return float(delays[k])
    return float(delays[k] + np.clip(-slope / (2 * curve), x[0], x[-1]))


def _disagreement(
    a: LinePass, b: LinePass, delays: NDArray[np.float64], resolution: float
) -> NDArray[np.float64]:
    """Return how much two lines differ for each delay, mm, shape as `delays`."""
    low = max(a.path.min(), b.path.min())
    high = min(a.path.max(), b.path.max())
    grid = np.arange(low, high, resolution / 2)
    found = np.full(delays.size, np.nan)
    if grid.size < _SHORTEST_CELLS:
        return found
    for k, delay in enumerate(delays.tolist()):
        apart = _profile(a, delay, grid) - _profile(b, delay, grid)
        apart = apart[np.isfinite(apart)]
        # What overlaps of two lines shifted far may be an even wall, which always agrees.
        if apart.size >= max(_SHORTEST_CELLS, grid.size * _MIN_OVERLAP):
            # Neighbouring lines may differ as a whole; the mean deviation, rather than its square,
            # keeps a pit on only one of them from dominating.
            found[k] = float(np.mean(np.abs(apart - np.median(apart))))
    return found


def _profile(one: LinePass, delay: float, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the wall along a line as it would be with `delay` taken off, NaN off its ends."""
    place = np.interp(one.times - delay, one.path_times, one.path)
    order = np.argsort(place, kind="stable")
    return np.asarray(
        np.interp(grid, place[order], one.thickness[order], left=np.nan, right=np.nan)
    )
