"""A day of 24 hours in simulated time: memory, open files and disk use of the daemon, hour by hour.

The whole daemon runs in one thread on the simulated clock and ports, and writes to the real disk. A probe
is moved to and fro along a strip of which a part is never reached, so that the plan is never covered. Its
lines come at a low rate; once an hour each port is unplugged for half a minute, its lines are damaged for
a minute, and it floods. The loop comes round more seldom than it does in real time, 20 times unless
`--slower` is given.

    python tests/benchmarks/day.py
    python tests/benchmarks/day.py --hours 3 --trace

The exit code is 1 if the memory after an hour is more than 10 % above that after the first one, or if
more files are open. `--trace` prints of which types there are more objects after each hour.
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

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.simulated.machine import Machine
from support.simulated.ports import SimulatedReader
from support.simulated.strip import PortFault, Strip, station_text
from swathe.live import Daemon, pace
from swathe.station import parse_station
from swathe.store import SurveyFolder

__all__ = ["Hour", "main", "run_day"]

HOUR_S = 3600
PLAN_MM, REACHED_MM = 400.0, 360.0
GROWTH = 1.10


@dataclass(frozen=True, slots=True)
class Hour:
    """What the process holds after an hour: memory, bytes; Python objects, open files, disk use, bytes."""

    hour: int
    memory: int
    objects: int
    files: int
    disk: int
    processor: float

    def __str__(self) -> str:
        return (
            f"{self.hour:4} h {self.memory / 1e6:9.1f} MB {self.objects:11,} objects {self.files:5} files "
            f"{self.disk / 1e6:9.2f} MB on the disk {self.processor:7.0f} s of the processor"
        )


def _hour(hour: int, survey: Path) -> Hour:
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return Hour(
        hour,
        pages * os.sysconf("SC_PAGE_SIZE"),
        len(gc.get_objects()),
        len(list(Path("/proc/self/fd").iterdir())),
        sum(path.stat().st_size for path in survey.rglob("*") if path.is_file()),
        time.process_time(),
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
    strip = Strip(Random(2), _faults(hours), 1.5, REACHED_MM, 500, 700, deque(maxlen=10))
    SimulatedReader.plug = staticmethod(strip.deliveries)
    text = station_text(length=PLAN_MM, checkpoint="2 min")
    station = parse_station(text, "day.toml")
    found: list[Hour] = []

    async def scan() -> None:
        daemon = Daemon(station, text, SurveyFolder(folder / "survey"))
        running = asyncio.create_task(daemon.run())
        before_that: Counter[str] = Counter()
        for hour in range(1, hours + 1):
            await asyncio.wait({running}, timeout=HOUR_S)
            if running.done():
                break
            for reader in machine.readers.values():
                reader.handed_over.clear()
            found.append(_hour(hour, folder / "survey"))
            print(found[-1], flush=True)
            if trace:
                kinds = Counter(type(one).__qualname__ for one in gc.get_objects())
                print(*(kinds - before_that).most_common(12) if before_that else (), sep="\n")
                before_that = kinds
        daemon.stop("the day is over")
        await running

    before = {name: getattr(pace, name) for name in ("_ROUND_NS", "_TICK_NS")}
    logging.disable(logging.CRITICAL)
    try:
        for name, value in before.items():
            setattr(pace, name, slower * value)
        with machine.installed(disk=False):
            machine.run(scan(), limit=(hours + 1.0) * HOUR_S)
    finally:
        logging.disable(logging.NOTSET)
        for name, value in before.items():
            setattr(pace, name, value)
    return found


def main() -> int:
    """Run the day, and print it; return 1 if something grows."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--hours", type=int, default=24)
    parser.add_argument("--slower", type=int, default=20, help="rounds of the loop (20 times)")
    parser.add_argument("--trace", action="store_true", help="print what objects were added")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="swathe-day-") as folder:
        os.environ["XDG_CACHE_HOME"] = f"{folder}/cache"
        found = run_day(Path(folder), options.hours, slower=options.slower, trace=options.trace)
    memory = max(hour.memory for hour in found) / found[0].memory
    files = max(hour.files for hour in found) - found[0].files
    print(f"memory {memory - 1:+.1%} at most after the first hour; {files:+} open files")
    return int(len(found) < options.hours or memory > GROWTH or files > 0)


if __name__ == "__main__":
    sys.exit(main())
