"""The first echo above the threshold in one gate of many A-scans at once.

An echo begins where the signal (for a zero crossing: its envelope) first reaches the threshold, and
ends where the envelope has fallen well below the highest it has been. Its time is read off between
the samples:

- flank: where a straight line through two samples meets the threshold, or a share of the echo's
  own height;
- peak: the top of a parabola through three samples;
- zero crossing: where the signal falls through zero behind the half cycle that is nearest to the
  envelope's top. Which half cycle that is does not hang on which of two neighbours is a little
  higher, which noise decides, but on the phase under the envelope's top: noise must move that by
  half a period to miss by a cycle, and it is ambiguous from a quarter on.

Whether the time may be that of another echo or another cycle is found with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Ints
from swathe.echo.half_cycles import closed, contradicts, flank_jumps, peak_jumps
from swathe.echo.other_echoes import Pooled, earlier_echo, envelope_top, later_echo, slow_rise
from swathe.echo.points import (
    FALLEN,
    Singles,
    flank,
    is_top,
    lobe_middle,
    seen,
    vertex,
    zero_crossing,
)
from swathe.echo.reasons import AmbiguityReason
from swathe.echo.settings import EchoMeasure, GateSettings, Polarity

__all__ = ["GateEchoes", "Record", "search"]

# Samples within which most echoes end.
_SHORT = 64
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
        reasons: why the time is ambiguous, bits of `AmbiguityReason`; 0 where it is not, and
            without an echo.
        second_time: of another echo in the gate, µs from time zero: the weaker one before the
            measured echo, or else the one that follows; NaN without.
    """

    time: Floats
    amplitude: Floats
    found: Bools
    saturated: Bools
    cut: Bools
    reasons: NDArray[np.uint8]
    second_time: Floats


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Record:
    """A block of A-scans and what is made of them, each of shape (n, samples).

    Attributes:
        raw: as the instrument gave them, % of full screen height.
        signal: after the band-pass, if there is one.
        analytic: of `signal`; None for rectified A-scans.
        envelope: magnitude of `analytic`, or the rectified A-scan.
        noise: RMS of the noise in `signal`, shape (n,).
        saturation: level at which the converter clips, % of full screen height.
    """

    raw: Singles
    signal: Singles
    analytic: NDArray[np.complex64] | None
    envelope: Singles
    noise: Singles
    saturation: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Gate:
    """A gate of n A-scans: what is in it, and its echo; samples are from the gate's first one.

    Attributes:
        height: of the half cycles that are looked at, shape (n, width); for a zero crossing the
            envelope.
        hull: envelope, shape (n, width); of a rectified A-scan without the gaps.
        within: samples of the echo, shape (n, width).
        reached: first sample at the threshold.
        highest: sample of the echo's greatest height.
        top: sample of the envelope's top.
        amplitude: height between the samples, % of full screen height.
    """

    height: Singles
    hull: Singles
    within: Bools
    reached: Ints
    highest: Ints
    top: Ints
    amplitude: Floats


def search(
    record: Record,
    gate: GateSettings,
    first: Ints | int,
    width: int,
    origin: Floats | float = np.nan,
) -> GateEchoes:
    """Return the echoes in one gate; times are in samples from the record's first one.

    Args:
        record: a block of n A-scans.
        gate: threshold, measure and polarity.
        first: the gate's first sample, one for all or shape (n,); negative where the gate
            follows an echo that is not there.
        width: samples of the gate.
        origin: where the sound that makes the echo's repeats sets out, in samples: each repeat is
            as long behind the one before it as the echo is behind this; NaN where it is not known.
    """
    count, samples = record.signal.shape
    rows = np.arange(count)
    begin = np.broadcast_to(np.asarray(first, np.int64), (count,))
    placed = (begin >= 0) & (begin + width <= samples)
    begin = np.where(placed, begin, 0)
    signal = _window(record.signal, first, begin, width)
    hull = _window(record.envelope, first, begin, width)
    if record.analytic is None:
        hull = closed(hull)
    # A crossing is where the phase has it, however near to a peak a sample came by chance: for
    # it the envelope, which shows the peak's height at any phase, is what must reach the threshold.
    crossing = gate.measure is EchoMeasure.ZERO_CROSSING
    height = hull if crossing else seen(signal, gate.polarity)

    threshold = np.float32(gate.threshold)
    above = height >= threshold
    reached = above.argmax(axis=1)
    echo = above[rows, reached] & placed
    begun, end = _extent(hull, reached, threshold)
    begun, end = np.where(echo, begun, 0), np.where(echo, end, width)  # without one, all of it
    columns = np.arange(width)
    within = (columns >= begun[:, None]) & (columns < end[:, None])
    top = np.where(within, hull, -np.inf).argmax(axis=1)
    highest = top if crossing else np.where(within, height, -np.inf).argmax(axis=1)
    saturated = np.zeros(count, np.bool_)
    clipped = np.abs(_window(record.raw, first, begin, width)) >= record.saturation * _CLIPPED
    if clipped.any():
        saturated = (clipped & (columns < end[:, None])).any(axis=1) & placed

    offset, amplitude = (
        vertex(record.envelope, rows, begin + highest, Polarity.POSITIVE)
        if crossing
        else vertex(record.signal, rows, begin + highest, gate.polarity)
    )
    shown = _Gate(
        height=height,
        hull=hull,
        within=within,
        reached=reached,
        highest=highest,
        top=top,
        amplitude=amplitude,
    )
    if gate.measure is EchoMeasure.FLANK:
        at, cut, jumps = _flank(record, gate, shown, begin)
        time = begin + at
        cut &= echo
    else:
        cut = echo & ((top == 0) | (top == width - 1))
        time = begin + highest + offset
        if gate.measure is EchoMeasure.PEAK:
            cut |= echo & ~is_top(record.signal, rows, begin + highest, gate.polarity)
            jumps = peak_jumps(height, highest, within, record.noise)
        if crossing and record.analytic is not None:
            middle = lobe_middle(hull, top)
            time, jumps = zero_crossing(record.analytic, rows, begin + middle, gate.polarity)
    found = echo & ~cut & np.isfinite(time)
    reasons = _reasons(record, gate, shown, jumps, crossing=crossing)
    second = np.full(count, np.nan)
    _other_echoes(record, gate, shown, time - origin, reasons, second)
    return GateEchoes(
        time=np.where(found, time, np.nan),
        amplitude=np.where(placed, amplitude, np.nan),
        found=found,
        saturated=saturated,
        cut=cut,
        reasons=np.where(found, reasons, np.uint8(0)),
        second_time=np.where(found, time + second, np.nan),
    )


def _flank(
    record: Record, gate: GateSettings, shown: _Gate, begin: Ints
) -> tuple[Floats, Bools, Bools]:
    """Return the flank in samples from the gate's first, whether it is cut, and may have jumped."""
    rows = np.arange(begin.size)
    if gate.flank_level is None:
        level = np.full(begin.size, gate.threshold, np.float32)
        reached, cut = shown.reached, shown.hull[:, 0] >= level
        noise = record.noise
        height = np.maximum(shown.amplitude, np.float64(gate.threshold))
        scale = np.maximum(record.saturation / height, 1.0).astype(np.float32)
    else:
        share = gate.flank_level / 100
        level = (shown.amplitude * share).astype(np.float32)
        # The level has the noise of the echo's height, by its share.
        noise = record.noise * np.float32(math.hypot(1.0, share))
        # The echo rises from where its envelope last was well below the level.
        columns = np.arange(shown.hull.shape[1], dtype=np.int32)
        quiet = (shown.hull < level[:, None] / 2) & (columns < shown.highest[:, None])
        start = np.where(quiet, columns, np.int32(-1)).max(axis=1)
        cut = start < 0
        risen = (columns > start[:, None]) & (shown.height >= level[:, None])
        reached, scale = risen.argmax(axis=1), None
    at = flank(record.signal, rows, begin, reached, level, gate.polarity)
    jumps = flank_jumps(shown.height, reached, level, shown.within, noise, scale=scale)
    return at, cut, jumps


def _reasons(
    record: Record, gate: GateSettings, shown: _Gate, jumps: Bools, *, crossing: bool
) -> NDArray[np.uint8]:
    """Return why half cycles may have been mistaken, bits of `AmbiguityReason`."""
    if crossing:  # the phase that tells cycles apart tells the sign as well
        return jumps.astype(np.uint8) * np.uint8(AmbiguityReason.POLARITY)
    reasons = jumps.astype(np.uint8) * np.uint8(AmbiguityReason.CYCLE)
    if gate.polarity is not Polarity.EITHER and record.analytic is not None:
        wrong = contradicts(shown.height, shown.within)
        reasons |= wrong.astype(np.uint8) * np.uint8(AmbiguityReason.POLARITY)
    return reasons


def _other_echoes(
    record: Record,
    gate: GateSettings,
    shown: _Gate,
    spacing: Floats,
    reasons: NDArray[np.uint8],
    second: Floats,
) -> None:
    """Add the reasons of other echoes in the gate, and how far they are from the measured one.

    Args:
        record: the A-scans.
        gate: the gate.
        shown: what is in it.
        spacing: samples from a repeat to the next, shape (n,).
        reasons: of each A-scan; is added to.
        second: samples from the measured echo to the other one, shape (n,); is filled in.
    """
    hull, top = shown.hull, shown.top
    length = shown.within.sum(axis=1)
    pooled = Pooled.of(hull)
    if record.analytic is not None:
        hidden = slow_rise(hull, top).astype(np.uint8)
        reasons |= hidden * np.uint8(AmbiguityReason.EARLIER_ECHO)
    for reason, at in (
        (
            AmbiguityReason.SECOND_ECHO,
            later_echo(pooled, top, length, spacing, gate.threshold, record.noise),
        ),
        (AmbiguityReason.EARLIER_ECHO, earlier_echo(pooled, top, gate.threshold, record.noise)),
    ):
        rows = np.flatnonzero(at >= 0)
        if not rows.size:
            continue
        reasons[rows] |= np.uint8(reason)
        own, _ = vertex(hull, rows, top[rows], Polarity.POSITIVE)
        second[rows] = envelope_top(hull, rows, at[rows]) - (top[rows] + own)


def _window(data: Singles, first: Ints | int, begin: Ints, width: int) -> Singles:
    """Return a gate's samples, shape (n, width); a view where it is the same for all."""
    if isinstance(first, int):
        return data[:, begin[0] : begin[0] + width] if begin.size else data[:, :width]
    # A gate that is nowhere is given the record's beginning; it may be narrower than the gate.
    columns = np.minimum(begin[:, None] + np.arange(width), data.shape[1] - 1)
    return np.take_along_axis(data, columns, axis=1)


def _extent(hull: Singles, reached: Ints, threshold: np.float32) -> tuple[Ints, Ints]:
    """Return the first sample of the echo that reached the threshold, and the one after its last.

    It begins where the envelope last was below the threshold.
    """
    rows, width = hull.shape
    columns = np.arange(width, dtype=np.int32)
    behind = reached[:, None].astype(np.int32)
    quiet = np.where((hull < threshold) & (columns < behind), columns, np.int32(-1))
    begun = quiet.max(axis=1) + 1
    end = np.full(rows, width, np.int64)
    # Nearly all echoes are short: only of those that are not is all of the gate looked at.
    left = np.arange(rows)
    for stretch in (_SHORT, width):
        near = begun[left, None] + np.arange(min(stretch, width), dtype=np.int32)
        some = np.take_along_axis(hull[left], np.minimum(near, width - 1), axis=1)
        highest = np.maximum.accumulate(some, axis=1)
        fallen = (some < FALLEN * highest) & (near >= behind[left]) & (near < width)
        falls = fallen.any(axis=1)
        end[left[falls]] = (begun[left] + fallen.argmax(axis=1))[falls]
        left = left[~falls]
        if not left.size:
            break
    return begun, end
