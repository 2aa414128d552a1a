"""A scan as it happens, and how well what is decoded from its bytes agrees with it; no code of the drivers."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.suggest.streams import Chunks, as_chunks

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Scan:
    """What was measured: times, s; positions, mm; thicknesses, mm, NaN without an echo; amplitudes, %."""

    times: Numbers
    positions: Numbers
    thickness: Numbers
    amplitude: Numbers
    temperature: Numbers


def scan(
    seed: int,
    *,
    rate: float = 50.0,
    seconds: float = 20.0,
    nominal: float = 12.0,
    length: float = 180.0,
    start: float = 0.0,
    jitter: float = 0.0,
) -> Scan:
    """A probe that goes to and fro over a wall with a step and pits, loses the echo, and rests at the end."""
    rng = np.random.default_rng(seed)
    count = int(rate * seconds)
    times = np.arange(count) / rate + rng.uniform(0, jitter, count)
    knots = np.array([0.0, 1.2, 6.0, 7.0, 11.0, 11.6, 16.0, 17.5, 20.0]) * seconds / 20.0
    places = np.array([0.0, 0.0, 1.0, 1.0, 0.25, 0.25, 0.9, 0.55, 0.55]) * length
    smooth = np.interp(times, knots, places)
    kernel = np.hanning(max(5, int(0.5 * rate)))
    padded = np.pad(smooth, kernel.size, mode="edge")
    positions = np.convolve(padded, kernel / kernel.sum(), "same")[kernel.size : -kernel.size]
    wall = np.where(positions > 0.62 * length, 0.8 * nominal, nominal)
    for centre, width, depth in zip(
        rng.uniform(0.05, 0.9, 5) * length,
        rng.uniform(0.02, 0.06, 5) * length,
        rng.uniform(0.05, 0.35, 5),
        strict=True,
    ):
        wall -= nominal * depth * np.exp(-(((positions - centre) / width) ** 2))
    wall = wall + rng.normal(0, 0.0015 * nominal, count)
    lost = np.zeros(count, np.bool_)
    for begin in rng.uniform(0.05, 0.85, 6) * count:
        lost[int(begin) : int(begin) + int(rng.integers(2, max(3, int(0.4 * rate))))] = True
    lost[-int(2 * rate) :] = False
    amplitude = np.clip(rng.normal(68, 6, count), 20, 100)
    amplitude = np.where(lost, rng.uniform(2, 12, count), amplitude)
    temperature = 21.4 + 0.3 * np.sin(times / 9)
    return Scan(times, positions + start, np.where(lost, np.nan, wall), amplitude, temperature)


@dataclass(frozen=True)
class Format:
    """A device as a manual describes it.

    Attributes:
        name: of the format.
        records: bytes of each record with its time; first the scan.
        thickness: mm, as the record states it, NaN without an echo; None for an encoder.
        position: counts or mm as the record states it; None for a gauge.
        rounding: of the thickness, mm.
        shows: what the display shows at the end, as options of the command.
        counts: positions are counts, of which the roll-over is undone.
    """

    name: str
    sent: Iterable[tuple[float, bytes]]
    thickness: Numbers | None = None
    position: Numbers | None = None
    rounding: float = 0.011
    shows: tuple[str, ...] = ()
    counts: bool = True
    seed: int = 0
    extra: dict[str, str] = field(default_factory=dict)

    def chunks(self) -> Chunks:
        """As they arrive."""
        return as_chunks(self.sent, random.Random(self.seed))


Made = Callable[[], Format]


def disagreements(
    device: Format,
    thickness: Numbers | None,
    position: Numbers | None,
    period: int | None,
    *,
    is_length: bool,
) -> list[str]:
    """What is wrong with decoded values; empty if all agree within rounding.

    Args:
        device: the truth.
        thickness: decoded, mm, NaN for readings that are not valid; None if there are none.
        position: decoded counts or mm; None if there are none.
        period: after how many counts they start again.
        is_length: positions are mm.
    """
    wrong = []
    if device.thickness is not None:
        wrong += _of_thickness(device, thickness)
    if device.position is not None:
        if position is None:
            wrong.append("no position")
        else:
            wrong += _of_position(device, position, period, is_length=is_length)
    return wrong


def _of_thickness(device: Format, found: Numbers | None) -> list[str]:
    assert device.thickness is not None
    if found is None:
        return ["no thickness"]
    truth = device.thickness
    if not 0.97 * truth.size <= found.size <= truth.size:
        return [f"{found.size} of {truth.size} readings"]
    truth = truth[-found.size :]
    if (np.isnan(truth) != np.isnan(found)).any():
        more = int(np.count_nonzero(np.isnan(truth) & ~np.isnan(found)))
        less = int(np.count_nonzero(~np.isnan(truth) & np.isnan(found)))
        return [f"{more} readings that are none, {less} lost"]
    both = ~np.isnan(truth)
    error = np.abs(truth - found)[both]
    return [f"thickness off by {np.median(error):g} mm"] if error.max() > device.rounding else []


def _of_position(
    device: Format, found: Numbers, period: int | None, *, is_length: bool
) -> list[str]:
    assert device.position is not None
    truth = device.position
    if not 0.97 * truth.size <= found.size <= truth.size:
        return [f"{found.size} of {truth.size} positions"]
    truth = truth[-found.size :]
    if period is not None:
        steps = (np.diff(found) + period / 2) % period - period / 2
        found = np.concatenate((found[:1], found[:1] + np.cumsum(steps)))
    if is_length and device.counts:
        # The counts are lengths by what the display showed: one scale for all.
        scale = np.polyfit(truth, found, 1)[0]
        off = float(np.abs((found - found[-1]) - scale * (truth - truth[-1])).max())
        return [] if off <= abs(scale) * 0.6 else [f"position off by {off:g} mm"]
    off = float(np.abs((found - found[-1]) - (truth - truth[-1])).max())
    return [] if off <= (0.11 if is_length else 0.5) else [f"position off by {off:g}"]
