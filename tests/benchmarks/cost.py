"""What placing in time costs: the pipeline at 100,000 readings a second, with it and without.

Two devices send text lines: a gauge at 100,000 readings a second and an encoder at 1,000, each with a
clock of its own; each reading is placed between the encoder's samples around it. "Without" is a
combined device, which sends the count with each reading: no clock to fit, nothing to wait for,
nothing to interpolate, but one more column to decode.

Run ``python tests/benchmarks/cost.py``; it prints the time per reading of each and their ratio, the
medians of several turns, and ends with exit code 1 if placing adds 30 % or more.
"""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.figures import report_figures
from swathe.journal import Chunk, Entry, Mark, MarkKind, Tick
from swathe.pipeline import Pipeline
from swathe.station import parse_station

__all__ = ["main"]

GAUGE_HZ, ENCODER_HZ, TICK_HZ = 100_000, 1_000, 20
SECONDS = 3
TURNS = 5
MOST_SHARE = 0.30

STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "2 m"
resolution = "1 mm"
device = "{encoder}"
counts_per_mm = 100
[calibration]
velocity = "5920 m/s"
"""
APART = (
    STATION.format(encoder="encoder")
    + """
[device.encoder]
port = "socket://encoder:1"
protocol.columns = [{ is = "device_time", unit = "us" }, { is = "counts", axis = "scan" }]
[device.gauge]
port = "socket://gauge:1"
protocol.columns = [
  { is = "device_time", unit = "us" },
  { is = "time_of_flight", unit = "us" },
  { is = "amplitude", unit = "%" },
]
"""
)
COMBINED = (
    STATION.format(encoder="gauge")
    + """
[device.gauge]
port = "socket://gauge:1"
protocol.columns = [
  { is = "counts", axis = "scan" },
  { is = "time_of_flight", unit = "us" },
  { is = "amplitude", unit = "%" },
]
"""
)


def journal(station: str) -> list[Entry]:
    """Return a run's entries: a sweep at 500 mm/s."""
    rng = np.random.default_rng(1)
    detail = {"survey": "s", "station": station, "versions": {}, "utc_ns": 10**18}
    entries: list[Entry] = [Mark(0, MarkKind.OPENED, detail)]
    for tick in range(SECONDS * TICK_HZ):
        begin, end = tick * 1_000_000 // TICK_HZ, (tick + 1) * 1_000_000 // TICK_HZ
        if station is APART:
            times = np.arange(begin, end, 1_000_000 // ENCODER_HZ)
            lines = "".join(f"{t},{count_at(t)}\r\n" for t in times.tolist())
            entries.append(Chunk(end * 1000 + 1_000_000, "encoder", lines.encode()))
        times = np.arange(begin, end, 1_000_000 // GAUGE_HZ)
        tof = 4.0 + rng.normal(0, 0.004, times.size)
        first = times.tolist() if station is APART else [count_at(t) for t in times.tolist()]
        lines = "".join(f"{a},{v:.4f},80.0\r\n" for a, v in zip(first, tof.tolist(), strict=True))
        entries.append(Chunk(end * 1000 + 2_000_000, "gauge", lines.encode()))
        entries.append(Tick(end * 1000 + 3_000_000))
    return entries


def count_at(us: int) -> int:
    """Return the encoder's count at a time, µs."""
    return int(us * 500e-6 * 100)


def seconds(station: str, entries: list[Entry]) -> float:
    """Return how long the pipeline takes for the run."""
    pipeline = Pipeline(parse_station(station, "bench"))
    begin = time.perf_counter()
    for entry in entries:
        pipeline.feed(entry)
    took = time.perf_counter() - begin
    assert pipeline.readings > 0.95 * SECONDS * GAUGE_HZ
    return took


def main() -> int:
    """Print the figures; return 1 if placing adds too much."""
    apart, combined = journal(APART), journal(COMBINED)
    seconds(APART, apart)  # a first run loads and warms everything
    readings = SECONDS * GAUGE_HZ
    pairs = [(seconds(APART, apart), seconds(COMBINED, combined)) for _ in range(TURNS)]
    whole = statistics.median(a for a, _ in pairs)
    plain = statistics.median(b for _, b in pairs)
    share = statistics.median(a / b for a, b in pairs) - 1
    print(f"placed in time    {whole / readings * 1e9:7.0f} ns a reading")
    print(f"combined device   {plain / readings * 1e9:7.0f} ns a reading")
    print(f"placing adds {share * 100:.0f} % (target: less than {MOST_SHARE * 100:.0f} %)")
    print(f"one core keeps up with {readings / whole:,.0f} readings a second")
    report_figures(placing_to_combined=share + 1)
    return 0 if share < MOST_SHARE else 1


if __name__ == "__main__":
    sys.exit(main())
