"""The first echo above the threshold in one gate of many A-scans at once.

An echo begins where the signal (for a zero crossing: its envelope) first reaches the threshold, and
ends where the envelope has fallen well below the highest it has been. Its time is read off between
the samples:

- flank: where a straight line through two samples meets the threshold;
- peak: the top of a parabola through three samples;
- zero crossing: where the signal falls through zero behind the half cycle that is nearest to the
  envelope's top. Which half cycle that is does not hang on which of two neighbours is a little
  higher, which noise decides, but on the phase under the envelope's top: noise must move that by
  nearly a quarter of a period to miss by a cycle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Ints
from swathe.echo.settings import EchoMeasure, GateSettings, Polarity

__all__ = ["GateEchoes", "Record", "search"]

Singles = NDArray[np.float32]

# An echo ends where its envelope is this share of its highest: 3 dB below.
_FALLEN = np.float32(0.7)
# A clipped code times its scale may come out a little below the level in single precision.
_CLIPPED = 1 - 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class GateEchoes:
    """What one gate shows in n A-scans, columns of shape (n,).

    Attributes:
        time: of the echo, µs from time zero; NaN where none was found.
        amplitude: height of the echo's highest peak (for a zero crossing: of its envelope), or
            without an echo the highest in the gate, % of full screen height, behind the band-pass
            if there is one; NaN where the gate follows an echo that is not there.
        found: whether there is an echo, and all that its time needs.
        saturated: whether the converter clipped in the gate up to the echo's end.
        cut: whether there is an echo of which the gate shows only one end, or a peak that is none
            since the signal still rises where the echo ends; it is not measured.
    """

    time: Floats
    amplitude: Floats
    found: Bools
    saturated: Bools
    cut: Bools


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Record:
    """A block of A-scans and what is made of them, each of shape (n, samples).

    Attributes:
        raw: as the instrument gave them, % of full screen height.
        signal: after the band-pass, if there is one.
        analytic: of `signal`; None for rectified A-scans.
        envelope: magnitude of `analytic`, or the rectified A-scan.
        saturation: level at which the converter clips, % of full screen height.
    """

    raw: Singles
    signal: Singles
    analytic: NDArray[np.complex64] | None
    envelope: Singles
    saturation: float


def search(record: Record, gate: GateSettings, first: Ints | int, width: int) -> GateEchoes:
    """Return the echoes in one gate; times are in samples from the record's first one.

    Args:
        record: a block of n A-scans.
        gate: threshold, measure and polarity.
        first: the gate's first sample, one for all or shape (n,); negative where the gate
            follows an echo that is not there.
        width: samples of the gate.
    """
    count, samples = record.signal.shape
    rows = np.arange(count)
    begin = np.broadcast_to(np.asarray(first, np.int64), (count,))
    placed = (begin >= 0) & (begin + width <= samples)
    begin = np.where(placed, begin, 0)
    signal = _window(record.signal, first, begin, width)
    hull = _window(record.envelope, first, begin, width)
    # A crossing is where the phase has it, however near to a peak a sample came by chance: for
    # it the envelope, which shows the peak's height at any phase, is what must reach the threshold.
    crossing = gate.measure is EchoMeasure.ZERO_CROSSING
    height = hull if crossing else _seen(signal, gate.polarity)

    threshold = np.float32(gate.threshold)
    above = height >= threshold
    reached = above.argmax(axis=1)
    echo = above[rows, reached] & placed
    within = _extent(hull, reached, threshold, whole=record.analytic is None)
    within |= ~echo[:, None]  # of a gate without an echo all is looked at
    highest = np.where(within, height, -np.inf).argmax(axis=1)
    top = np.where(within, hull, -np.inf).argmax(axis=1)
    last = width - 1 - within[:, ::-1].argmax(axis=1)
    clipped = np.abs(_window(record.raw, first, begin, width)) >= record.saturation * _CLIPPED
    saturated = (clipped & (np.arange(width) <= last[:, None])).any(axis=1) & placed

    offset, amplitude = (
        _vertex(record.envelope, rows, begin + highest, Polarity.POSITIVE)
        if crossing
        else _vertex(record.signal, rows, begin + highest, gate.polarity)
    )
    if gate.measure is EchoMeasure.FLANK:
        time = begin + _flank(record.signal, rows, begin, reached, threshold, gate.polarity)
        cut = echo & (hull[:, 0] >= threshold)
    else:
        cut = echo & ((top == 0) | (top == width - 1))
        time = begin + highest + offset
        if gate.measure is EchoMeasure.PEAK:
            cut |= echo & ~_tops(record.signal, rows, begin + highest, gate.polarity)
        if crossing and record.analytic is not None:
            middle = _lobe(np.where(within, hull, np.float32(0.0)), hull[rows, top])
            time = _zero_crossing(record.analytic, rows, begin + middle, gate.polarity)
    found = echo & ~cut & np.isfinite(time)
    return GateEchoes(
        time=np.where(found, time, np.nan),
        amplitude=np.where(placed, amplitude, np.nan),
        found=found,
        saturated=saturated,
        cut=cut,
    )


def _window(data: Singles, first: Ints | int, begin: Ints, width: int) -> Singles:
    """Return a gate's samples, shape (n, width); a view where it is the same for all."""
    if isinstance(first, int):
        return data[:, begin[0] : begin[0] + width] if begin.size else data[:, :width]
    # A gate that is nowhere is given the record's beginning; it may be narrower than the gate.
    columns = np.minimum(begin[:, None] + np.arange(width), data.shape[1] - 1)
    return np.take_along_axis(data, columns, axis=1)


def _seen(signal: Singles, polarity: Polarity) -> Singles:
    """Return the height of the half cycles that are looked at."""
    if polarity is Polarity.EITHER:
        return np.abs(signal)
    return -signal if polarity is Polarity.NEGATIVE else signal


def _extent(hull: Singles, reached: Ints, threshold: np.float32, *, whole: bool) -> Bools:
    """Return which samples belong to the echo that reached the threshold at a sample.

    It begins where the envelope last was below the threshold. With `whole` (a rectified A-scan,
    which is its own envelope and falls between half cycles) it ends with the gate.
    """
    columns = np.arange(hull.shape[1], dtype=np.int32)
    behind = reached[:, None].astype(np.int32)
    quiet = np.where((hull < threshold) & (columns < behind), columns, np.int32(-1))
    begun = columns > quiet.max(axis=1, keepdims=True)
    if whole:
        return np.asarray(begun)
    highest = np.maximum.accumulate(np.where(begun, hull, np.float32(0.0)), axis=1)
    fallen = (hull < _FALLEN * highest) & (columns >= behind)
    end = np.where(fallen.any(axis=1), fallen.argmax(axis=1), hull.shape[1])
    return np.asarray(begun & (columns < end[:, None].astype(np.int32)))


def _tops(signal: Singles, rows: Ints, at: Ints, polarity: Polarity) -> Bools:
    """Return whether neither neighbour of a sample is higher."""
    last = signal.shape[1] - 1
    low, mid, high = (_seen(signal[rows, np.clip(at + k, 0, last)], polarity) for k in (-1, 0, 1))
    return np.asarray((low <= mid) & (high <= mid))


def _vertex(signal: Singles, rows: Ints, at: Ints, polarity: Polarity) -> tuple[Floats, Floats]:
    """Return place, in samples from `at`, and height of the parabola's top about a sample."""
    samples = signal.shape[1]
    low, mid, high = (
        _seen(signal[rows, np.clip(at + k, 0, samples - 1)], polarity).astype(np.float64)
        for k in (-1, 0, 1)
    )
    curve = low - 2 * mid + high
    slope = (high - low) / 2
    # A plateau has no top of its own; a sample on a border may have a neighbour that is higher.
    flat = ~(curve < 0)
    offset = np.clip(-slope / np.where(flat, -1.0, curve), -0.5, 0.5)
    offset = np.where(flat, 0.0, offset)
    return offset, mid + slope * offset + curve * offset**2 / 2


def _flank(
    signal: Singles,
    rows: Ints,
    begin: Ints,
    reached: Ints,
    threshold: np.float32,
    polarity: Polarity,
) -> Floats:
    """Return where the signal meets the threshold, in samples from the gate's first."""
    here = signal[rows, begin + reached].astype(np.float64)
    before = signal[rows, np.maximum(begin + reached - 1, 0)].astype(np.float64)
    # With both half cycles in view the sample before may be of the other sign: it is on the
    # straight line all the same, below zero.
    sign = np.sign(here) if polarity is Polarity.EITHER else _sign(polarity)
    here, before = here * sign, before * sign
    rise = here - before
    share = (here - float(threshold)) / np.where(rise > 0, rise, np.nan)
    return np.asarray(reached - share)


def _lobe(hull: Singles, height: Singles) -> Floats:
    """Return where the middle of the envelope's top is, in samples from the gate's first.

    It is the centre of gravity of what is above the height at which the echo ends; noise moves it
    less than it moves the highest sample.
    """
    weight = np.maximum(hull - _FALLEN * height[:, None], np.float32(0.0))
    columns = np.arange(hull.shape[1], dtype=np.float32)
    whole = weight.sum(axis=1, dtype=np.float64)
    # No matrix product: its rounding may differ with the number of rows.
    moment = (weight * columns).sum(axis=1, dtype=np.float64)
    return np.asarray(moment / np.where(whole > 0, whole, np.nan))


def _sign(polarity: Polarity) -> float:
    return -1.0 if polarity is Polarity.NEGATIVE else 1.0


def _zero_crossing(
    analytic: NDArray[np.complex64], rows: Ints, middle: Floats, polarity: Polarity
) -> Floats:
    """Return where the signal falls through zero behind its main half cycle, in samples.

    For the negative polarity it rises through zero. NaN where there is no crossing within half a
    period of where the phase at `middle` puts it.

    Args:
        analytic: shape (n, samples).
        rows: 0 to n-1.
        middle: of the envelope's top, samples, shape (n,): the main half cycle is nearest to it.
        polarity: sign of the main half cycle.
    """
    samples = analytic.shape[1]
    sign = _sign(polarity)
    inner = np.clip(np.rint(np.nan_to_num(middle)), 1, samples - 2).astype(np.int64)
    here = sign * analytic[rows, inner].astype(np.complex128)
    before, mid, after = (analytic[rows, inner + k].astype(np.complex128) for k in (-1, 0, 1))
    # Phase per sample, the mean of two steps; each is unambiguous up to half the sampling rate,
    # where the turn over both would wrap at a quarter of it. No slower than a cycle in the record.
    turn = np.angle(mid * before.conj()) + np.angle(after * mid.conj())
    step = np.clip(turn / 2, 2 * np.pi / samples, np.pi)
    phase = np.angle(here)
    # A peak has the phase of whole turns, and the falling zero behind it a quarter of a turn more.
    turns = np.rint((phase + step * (middle - inner)) / (2 * np.pi))
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
    return np.asarray(np.where(good, left + share, np.nan))
