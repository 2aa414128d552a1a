"""Points of an echo between the samples: peak, flank, zero crossing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Ints
from swathe.echo.settings import Polarity

__all__ = ["FALLEN", "Singles", "flank", "is_top", "lobe_middle", "seen", "vertex", "zero_crossing"]

Singles = NDArray[np.float32]

FALLEN = np.float32(0.7)
"""An echo ends where its envelope is this share of its highest: 3 dB below."""


def seen(signal: Singles, polarity: Polarity) -> Singles:
    """Return the height of the half cycles that are looked at."""
    if polarity is Polarity.EITHER:
        return np.abs(signal)
    return -signal if polarity is Polarity.NEGATIVE else signal


def sign_of(polarity: Polarity) -> float:
    return -1.0 if polarity is Polarity.NEGATIVE else 1.0


def is_top(signal: Singles, rows: Ints, at: Ints, polarity: Polarity) -> Bools:
    """Return whether neither neighbour of a sample is higher."""
    last = signal.shape[1] - 1
    low, mid, high = (seen(signal[rows, np.clip(at + k, 0, last)], polarity) for k in (-1, 0, 1))
    return np.asarray((low <= mid) & (high <= mid))


def vertex(signal: Singles, rows: Ints, at: Ints, polarity: Polarity) -> tuple[Floats, Floats]:
    """Return place, in samples from `at`, and height of the parabola's top about a sample."""
    samples = signal.shape[1]
    low, mid, high = (
        seen(signal[rows, np.clip(at + k, 0, samples - 1)], polarity).astype(np.float64)
        for k in (-1, 0, 1)
    )
    curve = low - 2 * mid + high
    slope = (high - low) / 2
    # A plateau has no top of its own; a sample on a border may have a neighbour that is higher.
    flat = ~(curve < 0)
    offset = np.clip(-slope / np.where(flat, -1.0, curve), -0.5, 0.5)
    offset = np.where(flat, 0.0, offset)
    return offset, mid + slope * offset + curve * offset**2 / 2


def flank(
    signal: Singles,
    rows: Ints,
    begin: Ints,
    reached: Ints,
    level: Singles,
    polarity: Polarity,
) -> Floats:
    """Return where the signal meets a level, in samples from the gate's first.

    Args:
        signal: shape (n, samples).
        rows: 0 to n-1.
        begin: first sample of the gate, shape (n,).
        reached: first sample at the level, from the gate's first, shape (n,).
        level: % of full screen height, shape (n,).
        polarity: of the half cycles that are looked at.
    """
    here = signal[rows, begin + reached].astype(np.float64)
    before = signal[rows, np.maximum(begin + reached - 1, 0)].astype(np.float64)
    # With both half cycles in view the sample before may be of the other sign: it is on the
    # straight line all the same, below zero.
    sign = np.sign(here) if polarity is Polarity.EITHER else sign_of(polarity)
    here, before = here * sign, before * sign
    rise = here - before
    share = (here - level) / np.where(rise > 0, rise, np.nan)
    return np.asarray(reached - share)


def lobe_middle(hull: Singles, top: Ints) -> Floats:
    """Return where the middle of the envelope's top is, in samples from the gate's first.

    It is the centre of gravity of what is above the height at which the echo ends, about the
    envelope's top; noise moves it less than it moves the highest sample.

    Args:
        hull: envelope in the gate, shape (n, width).
        top: sample of the echo's top, shape (n,).
    """
    rows = np.arange(hull.shape[0])
    weight = hull - FALLEN * hull[rows, top][:, None]
    columns = np.arange(hull.shape[1], dtype=np.int32)
    low, at = weight < 0, top[:, None].astype(np.int32)
    start = np.where(low & (columns < at), columns, np.int32(-1)).max(axis=1)
    after = low & (columns > at)
    end = np.where(after.any(axis=1), after.argmax(axis=1), hull.shape[1]).astype(np.int32)
    lobe = (columns > start[:, None]) & (columns < end[:, None])
    weight = np.where(lobe, weight, np.float32(0.0))
    whole = weight.sum(axis=1, dtype=np.float64)
    # No matrix product: its rounding may differ with the number of rows.
    moment = (weight * columns.astype(np.float32)).sum(axis=1, dtype=np.float64)
    return np.asarray(moment / np.where(whole > 0, whole, np.nan))


def zero_crossing(
    analytic: NDArray[np.complex64], rows: Ints, middle: Floats, polarity: Polarity
) -> tuple[Floats, Bools]:
    """Return where the signal falls through zero behind its main half cycle, in samples.

    For the negative polarity it rises through zero. NaN where there is no crossing within half a
    period of where the phase at `middle` puts it.

    The second result is whether the phase at `middle` is more than a quarter of a period from that
    of a peak: then a half cycle of the other sign is nearer, and is the highest one. The echo has
    another polarity, or noise is about to have it missed by a cycle.

    Args:
        analytic: shape (n, samples).
        rows: 0 to n-1.
        middle: of the envelope's top, samples, shape (n,): the main half cycle is nearest to it.
        polarity: sign of the main half cycle.
    """
    samples = analytic.shape[1]
    sign = sign_of(polarity)
    inner = np.clip(np.rint(np.nan_to_num(middle)), 1, samples - 2).astype(np.int64)
    here = sign * analytic[rows, inner].astype(np.complex128)
    before, mid, after = (analytic[rows, inner + k].astype(np.complex128) for k in (-1, 0, 1))
    # Phase per sample, the mean of two steps; each is unambiguous up to half the sampling rate,
    # where the turn over both would wrap at a quarter of it. No slower than a cycle in the record.
    turn = np.angle(mid * before.conj()) + np.angle(after * mid.conj())
    step = np.clip(turn / 2, 2 * np.pi / samples, np.pi)
    phase = np.angle(here)
    # A peak has the phase of whole turns, and the falling zero behind it a quarter of a turn more.
    turned = (phase + step * (middle - inner)) / (2 * np.pi)
    turns = np.rint(turned)
    near = inner + (2 * np.pi * (turns + 0.25) - phase) / step

    wave = analytic.real if sign > 0 else -analytic.real
    falls = (wave[:, :-1] > 0) & (wave[:, 1:] <= 0)
    between = np.arange(samples - 1, dtype=np.float32) + np.float32(0.5)
    away = np.where(falls, np.abs(between - near[:, None].astype(np.float32)), np.inf)
    left = away.argmin(axis=1)
    good = away[rows, left] <= np.pi / step

    # The phase of an echo runs more nearly straight than its signal does: it is what is
    # interpolated, unless noise has it run backwards there.
    quarter = -1j * sign
    one = np.angle(quarter * analytic[rows, left].astype(np.complex128))
    other = np.angle(quarter * analytic[rows, left + 1].astype(np.complex128))
    forward = (one < 0) & (other >= 0) & (other - one < np.pi)
    a, b = wave[rows, left].astype(np.float64), wave[rows, left + 1].astype(np.float64)
    start, end = np.where(forward, one, -a), np.where(forward, other, -b)
    span = end - start
    share = -start / np.where(span > 0, span, np.nan)
    return np.where(good, left + share, np.nan), np.abs(turned - turns) > 0.25
