"""What placing costs: the pipeline at 100,000 readings a second, with and without placing in time.

Two devices send text lines through the whole pipeline, tick by tick: a gauge at 100,000 readings a
second and an encoder at 1,000. "Without" is the same run with the readings taken as if each carried
its own place, as a combined device would send them: no clock fit, no waiting, no interpolation.

Run ``python tests/benchmarks/cost.py``; it prints the time per reading of each and their ratio, the
medians of several turns, and ends with exit code 1 if placing adds 30 % or more.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.journal import Chunk, Entry, Mark, MarkKind, Tick
from swathe.pipeline import Pipeline
from swathe.pipeline.placing.placer import Placer
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
device = "encoder"
counts_per_mm = 100
[calibration]
velocity = "5920 m/s"
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


def journal() -> list[Entry]:
    """Return the run's entries: a sweep at 500 mm/s."""
    rng = np.random.default_rng(1)
    detail = {"survey": "s", "station": STATION, "versions": {}, "utc_ns": 10**18}
    entries: list[Entry] = [Mark(0, MarkKind.OPENED, detail)]
    for tick in range(SECONDS * TICK_HZ):
        begin, end = tick * 1_000_000 // TICK_HZ, (tick + 1) * 1_000_000 // TICK_HZ
        times = np.arange(begin, end, 1_000_000 // ENCODER_HZ)
        counts = (times * 500e-6 * 100).astype(int)
        lines = "".join(
            f"{t},{c}\r\n" for t, c in zip(times.tolist(), counts.tolist(), strict=True)
        )
        entries.append(Chunk(end * 1000 + 1_000_000, "encoder", lines.encode()))
        times = np.arange(begin, end, 1_000_000 // GAUGE_HZ)
        tof = 4.0 + rng.normal(0, 0.004, times.size)
        lines = "".join(
            f"{t},{v:.4f},80.0\r\n" for t, v in zip(times.tolist(), tof.tolist(), strict=True)
        )
        entries.append(Chunk(end * 1000 + 2_000_000, "gauge", lines.encode()))
        entries.append(Tick(end * 1000 + 3_000_000))
    return entries


def seconds(entries: list[Entry]) -> float:
    """Return how long the pipeline takes for the run."""
    pipeline = Pipeline(parse_station(STATION, "bench"))
    begin = time.perf_counter()
    for entry in entries:
        pipeline.feed(entry)
    took = time.perf_counter() - begin
    assert pipeline.readings > 0.95 * SECONDS * GAUGE_HZ
    return took


def without_placing(run: Callable[[], float]) -> float:
    """Run with readings that bring their own place, and clocks that are taken as they are."""
    from swathe.pipeline.placing.clock import DeviceClock

    to_host, add, place = DeviceClock.to_host, Placer.add_readings, Placer.place

    def carried(self: Placer, readings: NDArray[Any], known: NDArray[np.int64]) -> None:
        self._pending, self._pending_known = readings, known

    def at_once(self: Placer, _now: int) -> Any:
        readings, self._pending = self._pending, self._pending[:0]
        own = (readings["time"] * 500e-9) % 2000
        return self.place_combined(readings, own, np.zeros(own.size), self._pending_known)

    DeviceClock.to_host = lambda _self, _device, arrival, _known: arrival  # type: ignore[method-assign,misc,assignment]
    Placer.add_readings, Placer.place = carried, at_once  # type: ignore[method-assign,assignment]
    try:
        return run()
    finally:
        DeviceClock.to_host = to_host  # type: ignore[method-assign]
        Placer.add_readings, Placer.place = add, place  # type: ignore[method-assign]


def main() -> int:
    """Print the figures; return 1 if placing adds too much."""
    entries = journal()
    seconds(entries)  # a first run loads and warms everything
    readings = SECONDS * GAUGE_HZ
    pairs = [(seconds(entries), without_placing(lambda: seconds(entries))) for _ in range(TURNS)]
    whole = statistics.median(a for a, _ in pairs)
    plain = statistics.median(b for _, b in pairs)
    share = statistics.median(a / b for a, b in pairs) - 1
    print(f"whole pipeline   {whole / readings * 1e9:7.0f} ns a reading")
    print(f"without placing  {plain / readings * 1e9:7.0f} ns a reading")
    print(f"placing adds {share * 100:.0f} % (target: less than {MOST_SHARE * 100:.0f} %)")
    print(f"one core keeps up with {readings / whole:,.0f} readings a second")
    return 0 if share < MOST_SHARE else 1


if __name__ == "__main__":
    sys.exit(main())
