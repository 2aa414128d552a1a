"""Further echoes in a gate, before and after the one that is measured.

Two levels of the wall under one beam give two echoes, and the thinner one is what matters. Echoes
that follow the measured one at its own time again are its repeats: sound that went to and fro once
more. A repeat is no higher than the echo before it (common practice, no source; in the near field
of a probe it may be, and is then reported).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe.arrays import Bools, Floats, Ints
from swathe.echo.noise import CERTAIN
from swathe.echo.points import Singles, vertex
from swathe.echo.settings import Polarity

__all__ = ["Pooled", "earlier_echo", "envelope_top", "later_echo", "slow_rise"]

POOL = 4
"""Samples of a pool."""

# An echo is another one where the envelope between the two is lower by this share, and by more
# than noise.
_DIP = np.float32(0.15)
# A weaker echo before the measured one is reported from this share of the threshold: 6 dB below.
_WEAK = np.float32(0.5)
# Of an echo's height, where its rise and its fall are compared, and by how much the rise may be
# longer; noise 20 dB below the echo moves either by less than a tenth.
_FOOT = np.float32(0.35)
_SHOULDER = np.float32(0.8)
_SLOW = 1.35
# Samples to either side of the top in which an echo's foot is looked for.
_REACH = 96
# More than any envelope is high, % of full screen height.
_STEP = np.float32(1024.0)
_NOTHING = np.float32(np.inf)


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """Lowest and highest of every few samples of envelopes, each of shape (n, pools).

    What is looked for is longer than a pool, and passes over it are as much cheaper.
    """

    low: Singles
    high: Singles

    @classmethod
    def of(cls, hull: Singles) -> Pooled:
        """Return the pools of envelopes of shape (n, width); a remainder at the end is left out."""
        parts = [hull[:, k : hull.shape[1] // POOL * POOL : POOL] for k in range(POOL)]
        low, high = parts[0], parts[0]
        for part in parts[1:]:
            low, high = np.minimum(low, part), np.maximum(high, part)
        return cls(np.ascontiguousarray(low), np.ascontiguousarray(high))


def earlier_echo(pooled: Pooled, top: Ints, threshold: float, noise: Singles) -> Ints:
    """Return the sample of the highest weaker echo before the measured one, shape (n,); -1: none.

    What falls from the gate's beginning on is the end of something before the gate, and no echo.

    Args:
        pooled: envelope in the gate.
        top: sample of the measured echo's top, shape (n,).
        threshold: of the gate, % of full screen height.
        noise: RMS of the noise, shape (n,).
    """
    low, high = pooled.low, pooled.high
    columns = np.arange(high.shape[1], dtype=np.int32)
    before = columns < (top // POOL)[:, None].astype(np.int32)
    margin = np.float32(CERTAIN) * noise[:, None]
    level = np.maximum(_WEAK * np.float32(threshold), margin)
    lowest = _lowest_so_far(np.where(before, low, _NOTHING)[:, ::-1])[:, ::-1]
    higher = before & (high >= level) & _rises(high, lowest, margin)
    found = np.full(high.shape[0], -1, np.int64)
    rows = np.flatnonzero(higher.any(axis=1))
    if rows.size:
        rose = _rises(high[rows], _lowest_so_far(low[rows]), margin[rows])
        candidate = higher[rows] & rose
        at = np.where(candidate, high[rows], np.float32(-1.0)).argmax(axis=1)
        found[rows] = np.where(candidate.any(axis=1), at * POOL, -1)
    return found


def slow_rise(hull: Singles, top: Ints) -> Bools:
    """Return whether an echo rises so slowly that an earlier one is hidden in it, shape (n,).

    A probe's pulse rises no slower than it falls (common practice, no source). Of two echoes so near
    that the envelope has no dip between them, the higher one is the top, and the lower one before it
    makes the rise longer.

    Args:
        hull: envelope of a signal with both half cycles, in the gate, shape (n, width).
        top: sample of the echo's top, shape (n,).
    """
    width = hull.shape[1]
    away = np.arange(min(_REACH, width), dtype=np.int32)
    at = top[:, None].astype(np.int32)
    height = np.take_along_axis(hull, at, axis=1)
    feet, shoulders = [], []
    for sign in (-1, 1):
        columns = at + sign * away
        side = np.take_along_axis(hull, np.clip(columns, 0, width - 1), axis=1)
        # What is not in the gate says nothing about the echo.
        side[(columns < 0) | (columns >= width)] = _NOTHING
        feet.append(_falls(side, _FOOT * height))
        shoulders.append(_falls(side, _SHOULDER * height))
    # Noise moves the highest sample of a flat top; the middle between its shoulders, hardly.
    shift = (shoulders[1] - shoulders[0]) / 2
    return np.asarray(feet[0] + shift > _SLOW * (feet[1] - shift))


def _falls(side: Singles, level: Singles) -> Floats:
    """Return after how many samples each row first falls below its level; NaN where it does not."""
    rows = np.arange(side.shape[0])
    low = side < level
    first = low.argmax(axis=1)
    above, below = side[rows, first - 1].astype(np.float64), side[rows, first].astype(np.float64)
    falls = low[rows, first] & (first > 0)
    share = (above - level[:, 0]) / np.where(falls, above - below, 1.0)
    return np.where(falls, first - 1 + share, np.nan)


def later_echo(
    pooled: Pooled,
    top: Ints,
    length: Ints,
    spacing: Floats,
    threshold: float,
    noise: Singles,
) -> Ints:
    """Return the sample of the first later echo above the threshold, shape (n,); -1: none.

    Repeats of the measured echo are left out: those no higher than it, within its own length of
    a multiple of `spacing` after it.

    Args:
        pooled: envelope in the gate.
        top: sample of the measured echo's top, shape (n,).
        length: samples from the measured echo's beginning to its end, shape (n,).
        spacing: samples from a repeat to the next, shape (n,); NaN where it is not known.
        threshold: of the gate, % of full screen height.
        noise: RMS of the noise, shape (n,).
    """
    low, high = pooled.low, pooled.high
    columns = np.arange(high.shape[1], dtype=np.int32)
    margin = np.float32(CERTAIN) * noise[:, None]
    behind = columns > (top // POOL)[:, None].astype(np.int32)
    lowest = _lowest_so_far(np.where(behind, low, _NOTHING))
    higher = behind & (high >= np.float32(threshold)) & _rises(high, lowest, margin)
    found = np.full(high.shape[0], -1, np.int64)
    rows = np.flatnonzero(higher.any(axis=1))
    if not rows.size:
        return found
    low, high = low[rows], high[rows]
    away = (columns + np.float32(0.5)) * POOL - top[rows, None].astype(np.float32)
    step = np.where(spacing > 0, spacing, np.nan)[rows, None].astype(np.float32)
    times = np.rint(away / step)
    tolerance = np.minimum(length[rows, None].astype(np.float32) + POOL, step / 3)
    repeat = (times >= 1) & (np.abs(away - times * step) <= tolerance)
    repeat &= (
        high <= high[np.arange(rows.size), np.minimum(top[rows] // POOL, columns[-1])][:, None]
    )
    # Behind a repeat the search for a dip begins again: each repeat lowers what comes after it by
    # more than an envelope is high.
    ends = repeat[:, :-1] & ~repeat[:, 1:]
    lowered = np.zeros(high.shape, np.float32)
    np.cumsum(ends, axis=1, dtype=np.float32, out=lowered[:, 1:])
    lowered *= _STEP
    lowest = _lowest_so_far(np.where(behind[rows], low, _NOTHING) - lowered) + lowered
    other = higher[rows] & ~repeat & _rises(high, lowest, margin[rows])
    found[rows] = np.where(other.any(axis=1), other.argmax(axis=1) * POOL, -1)
    return found


def envelope_top(hull: Singles, rows: Ints, at: Ints) -> Floats:
    """Return where the envelope has its top at or after samples on its rise, in samples.

    Args:
        hull: envelope, shape (n, width).
        rows: of the envelope, shape (m,).
        at: sample for each of them, shape (m,).
    """
    some = hull[rows]
    own = np.arange(rows.size)
    columns = np.arange(hull.shape[1])
    behind = columns >= at[:, None]
    highest = np.maximum.accumulate(np.where(behind, some, np.float32(0.0)), axis=1)
    fallen = behind & (some < (1 - _DIP) * highest)
    end = np.where(fallen.any(axis=1), fallen.argmax(axis=1), hull.shape[1])
    top = np.where(behind & (columns < end[:, None]), some, np.float32(-1.0)).argmax(axis=1)
    offset, _ = vertex(some, own, top, Polarity.POSITIVE)
    return np.asarray(top + offset)


def _lowest_so_far(low: Singles) -> Singles:
    """Return the lowest of all pools before each one; a slope within one pool is no dip."""
    lowest = np.empty_like(low)
    lowest[:, :1] = _NOTHING
    np.minimum.accumulate(low[:, :-1], axis=1, out=lowest[:, 1:])
    return lowest


def _rises(hull: Singles, lowest: Singles, margin: Singles) -> Bools:
    """Return where the envelope is higher than the lowest since another echo, by more than noise."""
    return np.asarray((hull - lowest >= margin) & ((1 - _DIP) * hull >= lowest))
