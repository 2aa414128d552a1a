"""A day of 24 hours in simulated time: memory, open files and disk use of the daemon, hour by hour.

The whole daemon runs in one thread on the simulated clock and ports, and writes to the real disk. A probe
is moved to and fro along a strip of which a part is never reached, so that the plan is never covered. There
are ten samples of the encoder and seven readings a second; once an hour each port is unplugged for half a minute, its lines are damaged for
a minute, and it floods. The loop comes round more seldom than it does in real time, and the delay is
estimated more seldom, 20 times unless `--slower` is given.

    python tests/benchmarks/day.py
    python tests/benchmarks/day.py --hours 3 --trace

The exit code is 1 if the memory after an hour is more than 10 % above that after the first one, if more
files are open, or if readings did not fill all cells that the probe reached. `--trace` prints of which types there are more objects after each hour.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import logging
import os
import sys
import tempfile
import time
from collections import Counter, deque
from dataclasses import dataclass
from pathlib import Path
from random import Random
from types import ModuleType

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.simulated.machine import Machine
from support.simulated.ports import SimulatedReader
from support.simulated.strip import PortFault, Strip, station_text
from swathe.freed_memory import return_freed_memory
from swathe.live import Daemon, auto_delay, pace
from swathe.station import parse_station
from swathe.store import SurveyFolder

__all__ = ["Hour", "main", "run_day"]

HOUR_S = 3600
PLAN_MM, REACHED_MM = 400.0, 360.0
SAMPLE_MS, READING_MS, MM_PER_S = 100, 140, 1.5
REACHED_CELLS = 181  # of 2 mm, from 0 to 360 mm
GROWTH = 1.10


@dataclass(frozen=True, slots=True)
class Hour:
    """What there is after an hour.

    Attributes:
        hour: from 1.
        memory: of the process, bytes.
        objects: of Python.
        files: that are open.
        disk: use of the survey, bytes.
        processor: time so far, s.
        measured: cells.
        readings: so far.
    """

    hour: int
    memory: int
    objects: int
    files: int
    disk: int
    processor: float
    measured: int
    readings: int

    def __str__(self) -> str:
        return (
            f"{self.hour:4} h {self.memory / 1e6:9.1f} MB {self.objects:11,} objects {self.files:5} files "
            f"{self.disk / 1e6:9.2f} MB on the disk {self.processor:7.0f} s of the processor "
            f"{self.measured:4} cells of {self.readings:,} readings"
        )


def _hour(hour: int, survey: Path, daemon: Daemon) -> Hour:
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return Hour(
        hour,
        pages * os.sysconf("SC_PAGE_SIZE"),
        len(gc.get_objects()),
        len(list(Path("/proc/self/fd").iterdir())),
        sum(path.stat().st_size for path in survey.rglob("*") if path.is_file()),
        time.process_time(),
        daemon.pipeline.coverage.measured,
        daemon.pipeline.readings,
    )


def _faults(hours: int) -> list[PortFault]:
    """Return what is wrong with the ports: each kind once an hour."""
    found = []
    for hour in range(hours):
        for number, port in enumerate(("encoder", "gauge")):
            begin = 1000 * (hour * HOUR_S + 600 + 900 * number)
            found += [
                PortFault("unplugged", port, begin, begin + 30_000),
                PortFault("bytes corrupted", port, begin + 100_000, begin + 160_000),
                PortFault("flood", port, begin + 200_000, begin + 210_000),
            ]
    return found


def run_day(folder: Path, hours: int, *, slower: int, trace: bool = False) -> list[Hour]:
    """Run the daemon for so many simulated hours; return what it held after each."""
    machine = Machine(folder, 1)
    strip = Strip(
        Random(2), _faults(hours), MM_PER_S, REACHED_MM, SAMPLE_MS, READING_MS, deque(maxlen=10)
    )
    SimulatedReader.plug = staticmethod(strip.deliveries)
    text = station_text(length=PLAN_MM, checkpoint="2 min")
    station = parse_station(text, "day.toml")
    found: list[Hour] = []

    async def scan() -> None:
        daemon = Daemon(station, text, SurveyFolder(folder / "survey"))
        for reader in machine.readers.values():
            reader.handed_over = deque(maxlen=10)
        running = asyncio.create_task(daemon.run())
        before_that: Counter[str] = Counter()
        for hour in range(1, hours + 1):
            await asyncio.wait({running}, timeout=HOUR_S)
            if running.done():
                break
            found.append(_hour(hour, folder / "survey", daemon))
            print(found[-1], flush=True)
            if trace:
                kinds = Counter(type(one).__qualname__ for one in gc.get_objects())
                print(*(kinds - before_that).most_common(12) if before_that else (), sep="\n")
                before_that = kinds
        daemon.stop("the day is over")
        await running

    changed: list[tuple[ModuleType, str]] = [(pace, "_ROUND_NS"), (pace, "_TICK_NS")]
    changed += [(auto_delay, f"_{name}INTERVAL_SECONDS") for name in ("FIRST_", "")]
    before = [getattr(*one) for one in changed]
    logging.disable(logging.CRITICAL)
    try:
        for one, value in zip(changed, before, strict=True):
            setattr(*one, slower * value)
        with machine.installed(disk=False):
            machine.run(scan(), limit=(hours + 1.0) * HOUR_S)
    finally:
        logging.disable(logging.NOTSET)
        for one, value in zip(changed, before, strict=True):
            setattr(*one, value)
    return found


def main() -> int:
    """Run the day, and print it; return 1 if something grows."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--hours", type=int, default=24)
    parser.add_argument("--slower", type=int, default=20, help="rounds of the loop (20 times)")
    parser.add_argument("--trace", action="store_true", help="print what objects were added")
    options = parser.parse_args()
    return_freed_memory()  # as `swathe run` does
    with tempfile.TemporaryDirectory(prefix="swathe-day-") as folder:
        os.environ["XDG_CACHE_HOME"] = f"{folder}/cache"
        found = run_day(Path(folder), options.hours, slower=options.slower, trace=options.trace)
    memory = max(hour.memory for hour in found) / found[0].memory
    files = max(hour.files for hour in found) - found[0].files
    print(f"memory {memory - 1:+.1%} at most after the first hour; {files:+} open files")
    hollow = any(hour.measured < REACHED_CELLS for hour in found)
    return int(len(found) < options.hours or memory > GROWTH or files > 0 or hollow)


if __name__ == "__main__":
    sys.exit(main())
