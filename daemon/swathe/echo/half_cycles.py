"""Which half cycle of an echo is measured, and whether another one might have been.

A flank and a peak are points of one half cycle. Where noise, or another amplitude, decides which
one that is, the time of flight jumps by a whole cycle, or half a cycle: by half a wavelength, or a
quarter.
"""

from __future__ import annotations

import numpy as np

from swathe.arrays import Bools, Ints
from swathe.echo.noise import CERTAIN
from swathe.echo.points import Singles

__all__ = ["closed", "contradicts", "flank_jumps", "peak_jumps"]

# A half cycle ends where the signal is this share of its height, or of the level that it crosses.
_HALF = np.float32(0.5)
_SQRT2 = np.float32(2**0.5)
# Of a rectified cosine: from top to top, by its width at half its height, which is 2/3 of that.
_TOP_TO_TOP = 1.5


def flank_jumps(
    height: Singles,
    reached: Ints,
    level: Singles,
    within: Bools,
    noise: Singles,
    *,
    scale: Singles | None,
) -> Bools:
    """Return whether the level might have been crossed in another half cycle, shape (n,).

    It might where an earlier half cycle is lower than the level by no more than noise, or the one
    that crosses it higher by no more. A level that does not follow the echo's amplitude is crossed
    elsewhere as well when the amplitude is another one: it is certain only if the crossing is in
    the echo's highest half cycle, and no earlier one would reach the level if the echo were as
    high as can be.

    Args:
        height: of the half cycles that are looked at, shape (n, width).
        reached: first sample of the echo that is at the level, shape (n,).
        level: % of full screen height, shape (n,).
        within: samples of the echo, shape (n, width).
        noise: RMS of the noise, shape (n,): of a height less a level that has noise as well, that
            of the difference.
        scale: by how much higher the echo can be before it is clipped, shape (n,); None for a level
            that is a share of the echo's height.
    """
    columns = np.arange(height.shape[1], dtype=np.int32)
    at = reached[:, None].astype(np.int32)
    low = height < _HALF * level[:, None]
    start = np.where(low & (columns < at), columns, np.int32(-1)).max(axis=1)
    after = low & (columns > at)
    end = np.where(after.any(axis=1), after.argmax(axis=1), height.shape[1]).astype(np.int32)
    nothing = np.float32(0.0)
    own = np.where((columns > start[:, None]) & (columns < end[:, None]), height, nothing).max(
        axis=1
    )
    earlier = np.where(columns <= start[:, None], height, nothing).max(axis=1)
    margin = np.float32(CERTAIN) * noise
    if scale is None:
        return np.asarray((earlier + margin >= level) | (own - margin <= level))
    highest = np.where(within, height, nothing).max(axis=1)
    return np.asarray(
        (earlier * scale + margin >= level) | (own - margin <= level) | (own < highest)
    )


def peak_jumps(height: Singles, highest: Ints, within: Bools, noise: Singles) -> Bools:
    """Return whether another half cycle of the echo is as high but for noise, shape (n,).

    Args:
        height: of the half cycles that are looked at, shape (n, width).
        highest: sample of the highest peak, shape (n,).
        within: samples of the echo, shape (n, width).
        noise: RMS of the noise, shape (n,).
    """
    columns = np.arange(height.shape[1], dtype=np.int32)
    at = highest[:, None].astype(np.int32)
    peak = height[np.arange(height.shape[0]), highest]
    low = height < _HALF * peak[:, None]
    start = np.where(low & (columns < at), columns, np.int32(-1)).max(axis=1)
    after = low & (columns > at)
    end = np.where(after.any(axis=1), after.argmax(axis=1), height.shape[1]).astype(np.int32)
    others = within & ((columns <= start[:, None]) | (columns >= end[:, None]))
    second = np.where(others, height, np.float32(-np.inf)).max(axis=1)
    return np.asarray(second + np.float32(CERTAIN) * _SQRT2 * noise >= peak)


def contradicts(height: Singles, within: Bools) -> Bools:
    """Return whether the echo's highest half cycle is one that is not looked at, shape (n,).

    Args:
        height: of the half cycles that are looked at; the others are below zero; shape (n, width).
        within: samples of the echo, shape (n, width).
    """
    inside = np.where(within, height, np.float32(0.0))
    return np.asarray(-inside.min(axis=1) > inside.max(axis=1))


def closed(rectified: Singles) -> Singles:
    """Return rectified signals without the gaps between half cycles, shape (n, width).

    A stand-in for the envelope: a gap no longer than from one half cycle's top to the next is
    filled up to the lower one (closing: a running maximum and then a running minimum; J. Serra,
    Image Analysis and Mathematical Morphology, 1982; from memory). How far the tops are apart is
    taken from the width of the highest half cycle.

    Args:
        rectified: signals, not below zero but for noise, shape (n, width).
    """
    count, width = rectified.shape
    rows = np.arange(count)
    columns = np.arange(width, dtype=np.int32)
    top = rectified.argmax(axis=1)
    low = rectified < _HALF * rectified[rows, top][:, None]
    start = np.where(low & (columns < top[:, None]), columns, -1).max(axis=1)
    after = low & (columns > top[:, None])
    end = np.where(after.any(axis=1), after.argmax(axis=1), width)
    apart = np.ceil(_TOP_TO_TOP * (end - start - 1)).astype(np.int64) + 1
    apart = np.clip(apart, 1, max(width // 4, 1))
    filled = _running_maximum(rectified, apart)
    return np.asarray(-_running_maximum(-filled[:, ::-1], apart)[:, ::-1])


def _running_maximum(values: Singles, length: Ints) -> Singles:
    """Return the maximum of each sample and those after it, `length` in all, shape (n, width)."""
    found = values.copy()
    power, reach = values, 1
    columns = np.arange(values.shape[1])
    while True:
        rows = np.flatnonzero((length >= reach) & (length < 2 * reach))
        if rows.size:
            # Two stretches of a power of two that overlap cover any length.
            shift = np.minimum(columns + (length[rows, None] - reach), values.shape[1] - 1)
            some = power[rows]
            found[rows] = np.maximum(some, np.take_along_axis(some, shift, axis=1))
        if not (length >= 2 * reach).any():
            return np.asarray(found)
        longer = power.copy()
        longer[:, :-reach] = np.maximum(power[:, :-reach], power[:, reach:])
        power, reach = longer, 2 * reach
