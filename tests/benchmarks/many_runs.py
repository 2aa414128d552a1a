"""How long a survey of many short runs takes to be rebuilt, and until another run of it is up.

Surveys of 10, 100 and 300 runs of 5 s at 1,000 readings a second are written as a live daemon journals
them. `swathe rebuild` writes their arrays again; then `swathe run` resumes them, whose ports are open at
no time. It is up once it journals: whatever arrives from then on is kept, while earlier runs are replayed.
It scans once these are replayed; there is no checkpoint of them.

Run ``python tests/benchmarks/many_runs.py``; it prints a table, and ends with exit code 1 if the time of a
run does not stay within three times that in the smallest survey, or a run is up after more than 30 s.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parent.parent))

from benchmarks.rebuild import short_runs
from swathe.journal import segment_paths

__all__ = ["main"]

MAX_UP_SECONDS, MAX_GROWTH = 30.0, 3.0
LIMIT_SECONDS = 600.0
COMMAND = (sys.executable, "-m", "swathe")


class Times(NamedTuple):
    """What one survey took, s: processor time of its rebuild, and both waits of a run."""

    runs: int
    rebuild: float
    up: float
    scanning: float


def processor_seconds() -> float:
    """Return the processor time of the processes that were waited for."""
    times = os.times()
    return times.children_user + times.children_system


def wait_for(log: Path, journal: Path, runs: int, process: subprocess.Popen[bytes]) -> list[float]:
    """Return after which times the run was up, and scanned."""
    begun, found = time.monotonic(), list[float]()
    while len(found) < 2:
        if process.poll() is not None or time.monotonic() - begun > LIMIT_SECONDS:
            raise RuntimeError(log.read_text())
        up = len(segment_paths(journal)) > runs
        if up if not found else ": scanning" in log.read_text():
            found.append(time.monotonic() - begun)
        time.sleep(0.02)
    return found


def measure(folder: Path, runs: int) -> Times:
    """Return what a survey of so many runs takes."""
    survey = short_runs(folder / "survey", runs)
    before = processor_seconds()
    subprocess.run([*COMMAND, "rebuild", str(survey.path), "--no-picture"], check=True)
    rebuild = processor_seconds() - before
    station, log = folder / "bench.toml", folder / "log"
    station.write_text(str(survey.first_opening().detail["station"]))
    with log.open("wb") as output:
        process = subprocess.Popen(
            [*COMMAND, "run", str(station)],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
        )
        try:
            up, scanning = wait_for(log, survey.journal, runs, process)
        finally:
            process.terminate()
            process.wait(60)
    return Times(runs, rebuild, up, scanning)


def main(arguments: list[str] | None = None) -> int:
    """Print the table; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description="Time surveys of many short runs.")
    parser.add_argument("--runs", type=int, nargs="+", default=[10, 100, 300])
    options = parser.parse_args(arguments)
    table = Table(title=f"Runs of 5 s in one survey; load {os.getloadavg()[0]:.1f}")
    headings = ("runs", "rebuild, processor s", "a run, ms", "run is up, s", "it scans, s")
    for heading in headings:
        table.add_column(heading, justify="right")
    found: list[Times] = []
    for runs in options.runs:
        with tempfile.TemporaryDirectory() as name:
            one = measure(Path(name), runs)
        found.append(one)
        each = f"{1000 * one.rebuild / runs:.0f}"
        table.add_row(str(runs), f"{one.rebuild:.1f}", each, f"{one.up:.1f}", f"{one.scanning:.1f}")
    Console(width=100).print(table)
    grows = any(
        one.rebuild / one.runs > MAX_GROWTH * found[0].rebuild / found[0].runs for one in found
    )
    return int(grows or any(one.up > MAX_UP_SECONDS for one in found))


if __name__ == "__main__":
    sys.exit(main())
