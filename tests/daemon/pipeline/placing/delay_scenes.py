"""Simulated scans whose delay is known: walls, lines, and devices that send by arrival or by clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.delay_passes import LinePass, find_passes

__all__ = ["CLASSES", "Scan", "random_scan", "simulate"]

Floats = NDArray[np.float64]
Wall = Callable[[Floats, Floats], Floats]

CLASSES = (
    "flat",
    "few pits",
    "pits",
    "rough",
    "mixed",
    "straight seam",
    "oblique seam",
    "periodic",
    "profile",
    "one pair",
)
NOMINAL = 12.0
# A turn at the end of a line, at rest, s.
_TURN = 0.4


@dataclass(frozen=True, slots=True)
class Scan:
    """A scan: what is under the probe, how it moves, and how its devices send.

    Attributes:
        wall: thickness at (scan, index), mm.
        speeds: of the lines, mm/s, in order.
        rows: of the lines, in order.
        length: of a line, mm.
        spacing: of the lines, mm.
        gauge_hz: readings a second.
        encoder_hz: samples a second.
        delay: of the gauge beyond its jitter, s.
        jitter: mean of the gauge's jitter, s.
        shape: of the gamma distribution of the jitter; 1 is exponential.
        encoder_jitter: mean of the encoder's exponential jitter, s.
        per_record: time of a record on the gauge's line, s; records queue behind it.
        bunch: the gauge's records come in bunches of so many.
        noise: standard deviation of a reading, mm.
        unsteady: relative change of the speed within a line.
    """

    wall: Wall
    speeds: Floats
    rows: NDArray[np.int64]
    length: float
    spacing: float
    gauge_hz: float
    encoder_hz: float = 100.0
    delay: float = 0.04
    jitter: float = 0.0
    shape: float = 1.0
    encoder_jitter: float = 0.0
    per_record: float = 0.0
    bunch: int = 1
    noise: float = 0.012
    unsteady: float = 0.0


def simulate(scan: Scan, rng: np.random.Generator) -> tuple[list[LinePass], float]:
    """Return the passes of a scan by arrival, and its true delay in ns.

    The true delay is the mean lateness of the gauge's records less that of the encoder's, while
    the probe moves.
    """
    seconds = scan.length / np.abs(scan.speeds)
    starts = np.concatenate(([0.5], 0.5 + np.cumsum(seconds + _TURN)))
    total = float(starts[-1]) + 0.5

    def place(time: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.bool_]]:
        line = np.clip(np.searchsorted(starts, time, side="right") - 1, 0, seconds.size - 1)
        share = np.clip((time - starts[line]) / seconds[line], 0, 1)
        moving = (share > 0) & (share < 1)
        share = share + scan.unsteady / (2 * np.pi) * np.sin(2 * np.pi * share)
        along = share * scan.length
        return np.where(scan.speeds[line] > 0, along, scan.length - along), line, moving

    read = np.arange(0.05, total, 1 / scan.gauge_hz)
    seen = np.arange(0.0, total, 1 / scan.encoder_hz)
    sent = read.copy()
    if scan.bunch > 1:
        whole = (np.arange(read.size) // scan.bunch + 1) * scan.bunch - 1
        sent = read[np.minimum(whole, read.size - 1)]
    arrival = sent + scan.delay
    if scan.jitter:
        arrival = arrival + rng.gamma(scan.shape, scan.jitter / scan.shape, read.size)
    arrival = queued(arrival, scan.per_record)
    arrived = seen + (rng.exponential(scan.encoder_jitter, seen.size) if scan.encoder_jitter else 0)
    arrived = np.maximum.accumulate(arrived)

    at, line, moving = place(read)
    across: Floats = (scan.rows[line] * scan.spacing).astype(np.float64)
    thickness = scan.wall(at, across) + rng.normal(0, scan.noise, at.size)
    path, path_line, path_moving = place(seen)
    late = float(np.mean((arrival - read)[moving]) - np.mean((arrived - seen)[path_moving]))
    passes = find_passes(
        np.rint(arrival * 1e9).astype(np.int64),
        thickness,
        np.rint(arrived * 1e9).astype(np.int64),
        np.rint(path / 0.02) * 0.02,
        scan.rows[path_line],
        2.0,
    )
    return passes, late * 1e9


def queued(arrival: Floats, per_record: float) -> Floats:
    """Return when records have arrived that are sent in order over a line of limited rate."""
    steps = np.arange(arrival.size) * per_record
    return np.asarray(np.maximum.accumulate(arrival - steps) + steps + per_record)


def random_scan(kind: str, rng: np.random.Generator, *, most_lines: int = 30) -> Scan:
    """Return a scan of a class with at most so many lines, drawn at random."""
    speed = float(np.exp(rng.uniform(np.log(20), np.log(400))))
    lines = min(int(rng.choice([3, 4, 6, 8, 12, 20, 30])), most_lines)
    length = float(rng.choice([300.0, 400.0, 800.0]))
    spacing = float(rng.choice([2.0, 4.0, 6.0]))
    if kind == "profile":
        lines = int(rng.choice([2, 4, 8]))
    if kind == "one pair":
        lines = 2
    forth = np.where(np.arange(lines) % 2 == 0, 1.0, -1.0)
    rows = np.zeros(lines, np.int64) if kind == "profile" else np.arange(lines)
    speeds = forth * speed * np.exp(rng.normal(0, rng.choice([0.0, 0.2]), lines))
    # At no more than 60 s of scan the run stays short; the slowest lines are shorter.
    length = min(length, max(100.0, 90.0 * speed / lines))
    high = 1000.0 if speed > 60 else 300.0
    gauge = float(np.exp(rng.uniform(np.log(max(20.0, speed / 4)), np.log(high))))
    timing = rng.integers(0, 4)
    options = {}
    if timing:  # no clock: jitter of both devices
        options = {
            "jitter": float(rng.choice([0.002, 0.006, 0.012])),
            "shape": float(rng.choice([0.5, 1.0, 3.0])),
            "encoder_jitter": float(rng.choice([0.0, 0.001, 0.004])),
        }
    if timing == 2:
        options["per_record"] = 0.85 / gauge
    bunch = int(rng.choice([2, 4])) if timing == 3 else 1
    return Scan(
        wall=wall(kind, length, lines * spacing, rng),
        speeds=speeds,
        rows=rows,
        length=length,
        spacing=spacing,
        gauge_hz=gauge,
        encoder_hz=float(rng.choice([50.0, 100.0, 200.0])),
        delay=float(rng.uniform(-0.02, 0.12)),
        bunch=bunch,
        unsteady=float(rng.choice([0.0, 0.3])),
        **options,
    )


def wall(kind: str, length: float, width: float, rng: np.random.Generator) -> Wall:
    """Return a wall of a class, drawn at random."""
    if kind == "flat":
        return lambda x, y: np.full(x.shape, NOMINAL) + 0 * y
    if kind == "few pits":
        return pits(int(rng.integers(3, 8)), length, width, rng)
    if kind == "pits":
        return pits(int(length * max(width, 12.0) / rng.uniform(300, 1500)) + 8, length, width, rng)
    if kind == "rough":
        return rough(rng)
    if kind == "straight seam":
        return joined(seam(rng.uniform(0.3, 0.7) * length, 0.0, rng), rough(rng, 0.02))
    if kind == "oblique seam":
        slant = float(rng.uniform(-1, 1))
        return joined(seam(rng.uniform(0.3, 0.7) * length, slant, rng), rough(rng, 0.03))
    if kind == "periodic":
        period, phase = rng.uniform(10, 40), rng.uniform(0, 7)
        return lambda x, y: NOMINAL + 0.3 * np.sin(2 * np.pi * x / period + phase) + 0 * y
    several = pits(int(length * max(width, 12.0) / 800) + 8, length, width, rng)
    return joined(several, rough(rng))


def joined(*walls: Wall) -> Wall:
    """Return a wall that has the losses of all."""
    return lambda x, y: NOMINAL + sum((one(x, y) - NOMINAL for one in walls), np.zeros(x.shape))


def pits(count: int, length: float, width: float, rng: np.random.Generator) -> Wall:
    """Return a flat wall with round pits of 3 to 12 mm radius."""
    at = rng.uniform(0, length, count)
    row = rng.uniform(-6, width + 6, count)
    depth, radius = rng.uniform(0.3, 3.0, count), rng.uniform(3, 12, count)

    def thickness(x: Floats, y: Floats) -> Floats:
        loss = np.zeros(x.shape)
        for a, r, d, s in zip(at, row, depth, radius, strict=True):
            loss += d * np.exp(-((x - a) ** 2 + (y - r) ** 2) / s**2)
        return np.asarray(NOMINAL - loss)

    return thickness


def rough(rng: np.random.Generator, sd: float | None = None) -> Wall:
    """Return a Gaussian random field as a sum of waves, of 8 to 25 mm correlation length."""
    size = float(rng.uniform(8, 25))
    spread = float(rng.uniform(0.03, 0.3)) if sd is None else sd
    waves = 150
    kx, ky = rng.normal(0, 1 / size, (2, waves))
    phase = rng.uniform(0, 2 * np.pi, waves)

    def thickness(x: Floats, y: Floats) -> Floats:
        total = np.zeros(x.shape)
        for k, q, p in zip(kx, ky, phase, strict=True):
            total += np.cos(k * x + q * y + p)
        return np.asarray(NOMINAL + spread * np.sqrt(2 / waves) * total)

    return thickness


def seam(at: float, slant: float, rng: np.random.Generator) -> Wall:
    """Return a wall with a weld across the lines, `slant` mm along per mm across."""
    height, half = float(rng.uniform(0.5, 2)), float(rng.uniform(4, 9))
    step = float(rng.uniform(-0.5, 0.5))

    def thickness(x: Floats, y: Floats) -> Floats:
        off = x - at - slant * y
        return np.asarray(
            NOMINAL + height * np.exp(-((off / half) ** 2)) + step / (1 + np.exp(-off / 1.5))
        )

    return thickness
