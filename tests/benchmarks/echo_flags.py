"""How often a jump of the measured point is missed, and how often a right one is flagged.

Walls of steel (5.92 mm/µs) under a contact probe of 5 MHz, sampled at 50 MS/s with 16 bits, with the
repeats of the back wall, each 0.6 times the one before. A reading has *jumped* if its time is more
than 0.3 cycles (0.06 µs, 0.18 mm) from where the same measure puts the same echo without noise at a
height of 80 %. A jump is *missed* if the reading is valid and not ambiguous; a reading that has not
jumped and is ambiguous is a *false alarm*. "20 dB" is white noise up to half the sampling rate with an
RMS of a tenth of the back wall's peak.

- cycles: by measure, bandwidth of the pulse and noise, over heights of 25 to 95 %; threshold 20 %,
  band-pass of 100 %.
- two levels: a second level under the same beam, later by a number of cycles, at 30 dB, both walls
  with repeats. Here a reading is wrong if it is not the thinner level to 0.1 mm.
- polarity: right and inverted echoes, by noise.

Run ``python tests/benchmarks/echo_flags.py [RUNS]`` (1000 by default, a minute); it ends with exit
code 1 if any jump of a cycle, an inverted echo, or a level that is later by 2.5 cycles or more is missed
at 20 dB or better, or if more than 1 % of the readings are flagged falsely at 26 dB or better by a measure
that suits the bandwidth.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from swathe.echo import Echoes, EchoSettings, measure
from swathe_simulators.echoes import Pulse, ascans, digitise

__all__ = ["Rates", "cycles", "main", "polarity", "two_levels"]

VELOCITY, ZERO_OFFSET, FREQUENCY, SAMPLING, SAMPLES = 5.92, 0.25, 5.0, 50.0, 512
INTERVAL = 1 / SAMPLING
JUMP_CYCLES, WRONG_MM = 0.3, 0.1
NOISE_DB = (40.0, 30.0, 26.0, 20.0, 14.0)
RESOLVED_CYCLES = 2.5
RANGE_DB, MOST_FALSE = 20.0, 0.01
MEASURES: dict[str, dict[str, Any]] = {
    "flank at 20 %": {"measure": "flank"},
    "flank at 50 % of the echo": {"measure": "flank", "flank_level": 50},
    "flank at 70 % of the echo": {"measure": "flank", "flank_level": 70},
    "peak": {"measure": "peak"},
    "zero crossing": {"measure": "zero_crossing"},
}
# From which bandwidth on false alarms are limited: of a narrow one the half cycle before is too high.
NARROWEST = {
    "flank at 20 %": 9.0,
    "flank at 50 % of the echo": 0.8,
    "flank at 70 % of the echo": 0.6,
    "peak": 0.4,
    "zero crossing": 0.4,
}
BANDWIDTHS = (0.25, 0.4, 0.6, 0.8)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rates:
    """Shares of the readings that were found: jumped, missed, flagged falsely; how many there are."""

    found: int
    jumped: int
    missed: int
    false: int

    @classmethod
    def of(cls, got: Echoes, jumped: NDArray[np.bool_]) -> Rates:
        """Return the rates of readings, of which some jumped."""
        jumped = jumped & got.found
        return cls(
            found=int(got.found.sum()),
            jumped=int(jumped.sum()),
            missed=int((jumped & ~got.ambiguous).sum()),
            false=int((got.ambiguous & ~jumped).sum()),
        )

    def __add__(self, other: Rates) -> Rates:
        """Return the rates of both together."""
        return Rates(
            self.found + other.found,
            self.jumped + other.jumped,
            self.missed + other.missed,
            self.false + other.false,
        )

    @property
    def false_share(self) -> float:
        """False alarms, of the readings that have not jumped."""
        return self.false / max(self.found - self.jumped, 1)

    @property
    def cells(self) -> tuple[str, ...]:
        """The figures as text."""
        right = f"{100 * self.false_share:.2f} %"
        return f"{100 * self.jumped / max(self.found, 1):.2f} %", f"{self.missed:,}", right


def settings(**gate: Any) -> EchoSettings:
    """Return one gate over nearly the whole record."""
    table = {"name": "wall", "start": "0.6 us", "width": "9 us", "threshold": 20} | gate
    return EchoSettings.model_validate(
        {
            "gate": [table],
            "time_of_flight": "wall",
            "band": {"centre": f"{FREQUENCY} MHz", "bandwidth": 100},
        }
    )


def signals(wall: Floats, heights: Floats, bandwidth: float) -> Floats:
    """Return A-scans of walls without noise, their first back wall at a height, % of full screen."""
    found = ascans(
        wall,
        pulse=Pulse(frequency_mhz=FREQUENCY, bandwidth=bandwidth, amplitude_percent=1.0),
        velocity_mm_per_us=VELOCITY,
        zero_offset_us=ZERO_OFFSET,
        sampling_mhz=SAMPLING,
        samples=SAMPLES,
        random=np.random.default_rng(0),
        back_walls=8,
    )
    return found * heights[:, None]


def measured(signal: Floats, asked: EchoSettings) -> Echoes:
    """Return what digitised A-scans tell."""
    codes = digitise(signal, bits=16).astype(np.float32)
    return measure(
        codes * np.float32(100 / 32767),
        interval_us=INTERVAL,
        start_us=0.0,
        settings=asked,
        zero_offset_us=ZERO_OFFSET,
    )


def noise(random: np.random.Generator, heights: Floats, ratio: float) -> Floats:
    """Return white noise below each height by a ratio in dB."""
    rms = heights * 10 ** (-ratio / 20)
    return random.normal(0, 1, (heights.size, SAMPLES)) * rms[:, None]


def cycles(kind: str, bandwidth: float, ratio: float, runs: int, seed: int = 1) -> Rates:
    """Return the rates of one measure over walls and heights."""
    random = np.random.default_rng(seed)
    asked = settings(**MEASURES[kind])
    wall = random.uniform(4.0, 24.0, runs)
    heights = random.uniform(30.0, 95.0, runs)
    nominal = measured(signals(wall, np.full(runs, 80.0), bandwidth), asked).time_of_flight
    signal = signals(wall, heights, bandwidth)
    got = measured(signal + noise(random, heights, ratio), asked)
    return Rates.of(got, np.abs(got.time_of_flight - nominal) > JUMP_CYCLES / FREQUENCY)


def two_levels(kind: str, later: float, ratio_db: float, runs: int, seed: int = 2) -> Rates:
    """Return the rates under a beam that sees a second level, later by cycles, higher by dB."""
    random = np.random.default_rng(seed)
    asked = settings(**MEASURES[kind])
    thin = random.uniform(4.0, 12.0, runs)
    thick = thin + later / FREQUENCY * VELOCITY / 2
    heights = random.uniform(25.0, 45.0, runs)
    alone = measured(signals(thin, heights, 0.6), asked).time_of_flight
    both = signals(thin, heights, 0.6) + signals(thick, heights * 10 ** (ratio_db / 20), 0.6)
    got = measured(both + noise(random, heights, 30.0), asked)
    return Rates.of(got, np.abs(got.time_of_flight - alone) * VELOCITY / 2 > WRONG_MM)


def polarity(kind: str, ratio: float, runs: int, *, inverted: bool, seed: int = 3) -> Rates:
    """Return the rates of echoes of the gate's polarity, or of the other one."""
    random = np.random.default_rng(seed)
    asked = settings(**MEASURES[kind])
    wall = random.uniform(4.0, 24.0, runs)
    heights = random.uniform(30.0, 95.0, runs)
    signal = signals(wall, heights, 0.6)
    nominal = measured(signal, asked).time_of_flight
    got = measured((-signal if inverted else signal) + noise(random, heights, ratio), asked)
    return Rates.of(got, np.abs(got.time_of_flight - nominal) > JUMP_CYCLES / FREQUENCY)


def _table(title: str, heads: tuple[str, ...], flagged: str = "false alarms") -> Table:
    table = Table(*heads, title=title, box=None, pad_edge=False, title_justify="left")
    for name in ("jumped", "missed", flagged):
        table.add_column(name, justify="right")
    return table


def main() -> int:
    """Print the tables; return 1 if the target is missed."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    console = Console(width=110)
    good = True
    table = _table(f"cycles, {runs:,} readings a row", ("measure", "bandwidth", "noise"))
    for kind in MEASURES:
        for bandwidth in BANDWIDTHS:
            for ratio in NOISE_DB:
                rates = cycles(kind, bandwidth, ratio, runs)
                table.add_row(kind, f"{100 * bandwidth:.0f} %", f"{ratio:g} dB", *rates.cells)
                if ratio >= RANGE_DB:
                    good &= rates.missed == 0
                    if bandwidth >= NARROWEST[kind] and ratio >= 26:
                        good &= rates.false_share <= MOST_FALSE
    console.print(table)
    heads = ("measure", "apart", "second is")
    table = _table("\ntwo levels at 30 dB, by cycles apart", heads, "right, flagged")
    for kind in ("flank at 70 % of the echo", "peak", "zero crossing"):
        for later in (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 5.0, 8.0):
            for ratio_db in (-6.0, 0.0, 6.0):
                rates = two_levels(kind, later, ratio_db, runs)
                if later >= RESOLVED_CYCLES:
                    good &= rates.missed == 0
                table.add_row(kind, f"{later:g}", f"{ratio_db:+g} dB", *rates.cells)
    console.print(table)
    table = _table("\npolarity", ("measure", "echo", "noise"))
    for kind in ("flank at 70 % of the echo", "peak", "zero crossing"):
        for inverted in (False, True):
            for ratio in NOISE_DB:
                rates = polarity(kind, ratio, runs, inverted=inverted)
                echo = "inverted" if inverted else "right"
                table.add_row(kind, echo, f"{ratio:g} dB", *rates.cells)
                if inverted and ratio >= RANGE_DB:
                    good &= rates.missed == 0
    console.print(table)
    console.print("\ntarget met" if good else "\ntarget MISSED")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
