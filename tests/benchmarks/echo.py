"""How well and how fast thickness is measured in A-scans: bias, spread and A-scans a second.

Walls of steel from 3 to 25 mm (5.92 mm/µs) under a contact probe of 2, 5 and 10 MHz with a bandwidth
of 70 % at -6 dB, sampled at 50 and 100 MS/s with 8 and 16 bits. The first back wall is at 60 % of
full screen height, each later one 0.6 times the one before. The noise is white up to half the
sampling rate; "20 dB" is an RMS of a tenth of the first back wall's peak, 6 % of full screen height.
Between first and second back wall it is relative to the second, weaker one. The zero offset is taken
on a block of 10 mm in a separate step, with the same pulse and sampling, at 60 dB. All measures have
the same gate, threshold (half of the first back wall; for the second one half of that one) and
band-pass (100 % about the probe's frequency, which takes the echo down by 18 %).

Run ``python tests/benchmarks/echo.py``; it prints tables and ends with exit code 1 if the target is
missed: by the zero crossing, at every wall a bias of at most 0.01 mm and a standard deviation of at
most 0.02 mm, with every wall found; and 20,000 A-scans of 512 samples a second on one core.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table
from scipy.signal import find_peaks, hilbert

from swathe.echo import EchoMeasure, EchoSettings, measure
from swathe_simulators.echoes import Pulse, ascans, digitise

__all__ = ["Case", "Figures", "echo_to_echo", "errors", "main"]

VELOCITY, ZERO_OFFSET = 5.92, 0.25
WALLS = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 25.0)
BLOCK = 10.0
HEIGHT, BANDWIDTH, LATER = 60.0, 0.7, 0.6
RECORD_US, ECHO_TO_ECHO_US = 10.24, 20.48
SCANS = 400
MOST_BIAS, MOST_SPREAD, LEAST_RATE = 0.01, 0.02, 20_000.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Case:
    """A probe in MHz, sampling in MS/s, bits, and signal to noise in dB (infinite: none)."""

    frequency: float
    sampling: float
    bits: Literal[8, 16]
    ratio: float

    @property
    def pulse(self) -> Pulse:
        """The first back wall's echo."""
        return Pulse(frequency_mhz=self.frequency, bandwidth=BANDWIDTH, amplitude_percent=HEIGHT)


@dataclass(frozen=True, slots=True)
class Figures:
    """The worst of all walls: signed bias and spread in mm; how many of all were not found."""

    bias: float
    spread: float
    missed: int

    @classmethod
    def of(cls, per_wall: list[Floats]) -> Figures:
        """Return the figures of signed errors, mm, NaN where no echo was found."""
        found = [one[np.isfinite(one)] for one in per_wall]
        return cls(
            bias=max((float(one.mean()) for one in found), key=abs),
            spread=max(float(one.std(ddof=1)) for one in found),
            missed=sum(one.size - good.size for one, good in zip(per_wall, found, strict=True)),
        )

    @property
    def good(self) -> bool:
        """Whether the target is met."""
        return abs(self.bias) <= MOST_BIAS and self.spread <= MOST_SPREAD and self.missed == 0


def settings(frequency: float, kind: EchoMeasure, *, both: bool = False) -> EchoSettings:
    """Return one gate for the first back wall, or two for the first and the second."""
    gate = {
        "name": "first",
        "start": "0.4 us",
        "width": "9 us",
        "threshold": HEIGHT / 2,
        "measure": kind,
    }
    table: dict[str, Any] = {
        "gate": [gate],
        "time_of_flight": "first",
        "band": {"centre": f"{frequency} MHz", "bandwidth": 100},
    }
    if both:
        second = {
            "name": "second",
            "after": "first",
            "start": "0.6 us",
            "threshold": HEIGHT * LATER / 2,
        }
        table["gate"].append(gate | second)
        table |= {"mode": "echo to echo", "time_of_flight": ["first", "second"]}
    return EchoSettings.model_validate(table)


def simulate(
    case: Case, wall: Floats, ratio: float, random: np.random.Generator, record: float = RECORD_US
) -> NDArray[np.float32]:
    """Return digitised A-scans of walls, % of full screen height."""
    signal = ascans(
        wall,
        pulse=case.pulse,
        velocity_mm_per_us=VELOCITY,
        zero_offset_us=ZERO_OFFSET,
        sampling_mhz=case.sampling,
        samples=round(record * case.sampling),
        noise_percent=HEIGHT * 10 ** (-ratio / 20),
        attenuation=LATER,
        random=random,
    )
    codes = digitise(signal, bits=case.bits, full_scale_percent=100.0)
    return codes.astype(np.float32) * np.float32(100.0 / np.iinfo(codes.dtype).max)


def near(wall: float, case: Case, random: np.random.Generator) -> Floats:
    """Return thicknesses about a wall: over two samples, so that every place between them comes."""
    return wall + random.uniform(-1, 1, SCANS) * VELOCITY / (2 * case.sampling)


def errors(case: Case, kinds: tuple[EchoMeasure, ...], seed: int = 1) -> list[Figures]:
    """Return each measure's errors by the first back wall, after a calibration of its own."""
    random = np.random.default_rng(seed)
    asked = [settings(case.frequency, kind) for kind in kinds]
    interval = 1 / case.sampling

    def flights(wall: Floats, ratio: float) -> list[Floats]:
        signal = simulate(case, wall, ratio, random)
        return [
            measure(signal, interval_us=interval, start_us=0.0, settings=one).time_of_flight
            for one in asked
        ]

    block = near(BLOCK, case, random)
    offsets = [float(np.mean(got - 2 * block / VELOCITY)) for got in flights(block, 60.0)]
    per_kind: list[list[Floats]] = [[] for _ in kinds]
    for wall in WALLS:
        true = near(wall, case, random)
        for got, offset, rows in zip(flights(true, case.ratio), offsets, per_kind, strict=True):
            rows.append((got - offset) * VELOCITY / 2 - true)
    return [Figures.of(rows) for rows in per_kind]


def echo_to_echo(case: Case, seed: int = 2) -> Figures:
    """Return the errors between first and second back wall, by zero crossings, uncalibrated."""
    random = np.random.default_rng(seed)
    asked = settings(case.frequency, EchoMeasure.ZERO_CROSSING, both=True)
    per_wall = []
    for wall in WALLS:
        true = near(wall, case, random)
        signal = simulate(case, true, case.ratio - 20 * math.log10(LATER), random, ECHO_TO_ECHO_US)
        got = measure(signal, interval_us=1 / case.sampling, start_us=0.0, settings=asked)
        per_wall.append(got.time_of_flight * VELOCITY / 2 - true)
    return Figures.of(per_wall)


def one_by_one(signal: NDArray[np.float32], interval: float) -> Floats:
    """Return zero crossings by a loop over A-scans with scipy; without a band-pass."""
    found = np.full(len(signal), np.nan)
    for k, wave in enumerate(signal):
        tops, _ = find_peaks(np.abs(hilbert(wave)), height=HEIGHT / 2)
        if tops.size:
            falls = np.flatnonzero((wave[:-1] > 0) & (wave[1:] <= 0))
            j = falls[np.argmin(np.abs(falls - tops[0]))]
            found[k] = (j + wave[j] / (wave[j] - wave[j + 1])) * interval
    return found


def rates(console: Console) -> bool:
    """Print A-scans a second; return whether the target is met."""
    random = np.random.default_rng(3)
    case = Case(5.0, 50.0, 16, 20.0)
    interval = 1 / case.sampling
    signal = np.tile(simulate(case, random.uniform(3, 25, 1024), 20.0, random), (20, 1))
    few = signal[:2000]
    begun = time.perf_counter()
    one_by_one(few, interval)
    loop = len(few) / (time.perf_counter() - begun)
    table = Table("measure", box=None, pad_edge=False)
    for name in ("A-scans/s", "times the loop"):
        table.add_column(name, justify="right")
    table.add_row("loop of scipy.signal, no band-pass", f"{loop:,.0f}", "1.0")
    good = True
    for kind in EchoMeasure:
        asked = settings(case.frequency, kind)
        best = math.inf
        for _ in range(3):
            begun = time.perf_counter()
            measure(signal, interval_us=interval, start_us=0.0, settings=asked)
            best = min(best, time.perf_counter() - begun)
        rate = len(signal) / best
        good &= rate >= LEAST_RATE
        table.add_row(f"{kind}, with band-pass", f"{rate:,.0f}", f"{rate / loop:.1f}")
    console.print(f"\nspeed on one core, {len(signal)} A-scans of {signal.shape[1]} samples")
    console.print(table)
    return good


def _named(ratio: float) -> str:
    return "none" if math.isinf(ratio) else f"{ratio:g} dB"


def main() -> int:
    """Print the tables; return 1 if the target is missed."""
    console = Console(width=120)
    kinds = (EchoMeasure.FLANK, EchoMeasure.PEAK, EchoMeasure.ZERO_CROSSING)
    table = Table("MHz", "MS/s", "bits", "noise", box=None, pad_edge=False)
    for kind in kinds:
        for figure in ("bias", "spread", "missed"):
            table.add_column(f"{kind.replace('_', ' ')} {figure}", justify="right")
    second = Table("MHz", "MS/s", "bits", "noise", box=None, pad_edge=False)
    for figure in ("bias", "spread", "missed"):
        second.add_column(figure, justify="right")
    good = True
    for frequency in (2.0, 5.0, 10.0):
        for sampling in (50.0, 100.0):
            for bits in (8, 16):
                for ratio in (math.inf, 40.0, 30.0, 20.0):
                    case = Case(frequency, sampling, 8 if bits == 8 else 16, ratio)
                    found = errors(case, kinds)
                    good &= found[-1].good
                    head = (f"{frequency:g}", f"{sampling:g}", str(bits), _named(ratio))
                    table.add_row(*head, *_figures(found))
                    if bits == 8:
                        between = echo_to_echo(case)
                        good &= between.good
                        second.add_row(*head, *_figures([between]))
    count = SCANS * len(WALLS)
    console.print(
        f"first back wall, steel {WALLS[0]:g} to {WALLS[-1]:g} mm: the worst wall's bias and "
        f"spread, mm; missed of {count}"
    )
    console.print(table)
    console.print(
        "\nfrom first to second back wall by zero crossings, no calibration; noise is relative to the second"
    )
    console.print(second)
    good &= rates(console)
    console.print("\ntarget met" if good else "\ntarget MISSED")
    return 0 if good else 1


def _figures(found: list[Figures]) -> list[str]:
    return [
        text for one in found for text in (f"{one.bias:+.4f}", f"{one.spread:.4f}", str(one.missed))
    ]


if __name__ == "__main__":
    sys.exit(main())
