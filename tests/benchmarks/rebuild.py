"""How fast a survey is rebuilt from its journal, next to a script over the whole file.

Survey folders are written as a live daemon journals them, and replayed in one process:

- a raster at 1,000 readings a second with an encoder at 100 Hz, as text, and the same bytes through
  `offline.py`, which is pandas and scipy over the whole file;
- dense readings: 100,000 lines and 200,000 frames a second;
- many short runs in one survey.

Run ``python tests/benchmarks/rebuild.py``; it prints medians and targets, and ends with exit code 1
if a target is missed. ``--profile`` prints where the time of the first case goes instead.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parent.parent))

from benchmarks.journals import Devices, Raster, end_run, run, write
from benchmarks.offline import Dump, bin_by_cell, dump
from swathe.journal import Entry
from swathe.pipeline import Pipeline
from swathe.store import SurveyFolder, replay

__all__ = ["main"]

MIN_TIMES_REAL, MIN_OF_OFFLINE = 500.0, 1 / 3
MIN_TEXT, MIN_FRAMES = 1e6, 5e6
MAX_RUNS_SECONDS, RUN_SECONDS = 5.0, 5
START = 10**12
AWAY_SECONDS = 2.0

SLOW = Devices()
TEXT = Devices(gauge_hz=100_000, encoder_hz=1_000)
FRAMES = Devices(gauge_hz=200_000, encoder_hz=1_000, form="frames")


@dataclass(frozen=True)
class Figure:
    """A line of the table: what was measured, the target, and whether it is met."""

    name: str
    value: str
    target: str
    met: bool


def median_of(turns: int, call: Callable[[], object]) -> float:
    """Return the median time of several calls, s; a first one warms up."""
    call()
    found = []
    for _ in range(turns):
        begin = time.perf_counter()
        call()
        found.append(time.perf_counter() - begin)
    return statistics.median(found)


def survey(folder: Path, devices: Devices, seconds: int) -> tuple[SurveyFolder, Raster]:
    """Write a survey of one run, and return it with its raster."""
    raster = Raster.for_seconds(seconds)

    def entries() -> Iterator[Entry]:
        yield from run(raster, devices, 0, seconds, start=START)
        yield end_run(seconds, start=START)

    return write(folder, entries()), raster


def short_runs(folder: Path, runs: int) -> SurveyFolder:
    """Write a survey of short runs that continue one another."""
    raster = Raster.for_seconds(runs * RUN_SECONDS)
    for number in range(runs):
        begin, end = number * RUN_SECONDS, (number + 1) * RUN_SECONDS
        start = START + round(number * AWAY_SECONDS * 1e9)

        def entries(begin: int = begin, end: int = end, start: int = start) -> Iterator[Entry]:
            yield from run(raster, SLOW, begin, end, start=start)
            yield end_run(end, start=start)

        write(folder, entries())
    return SurveyFolder(folder)


def check_agreement(pipeline: Pipeline, files: Dump, raster: Raster) -> None:
    """Check that both ways find the same cells, but for readings on a border.

    Raises:
        AssertionError: they do not, and their times mean nothing.
    """
    cells, grid = bin_by_cell(files, raster), pipeline.grid
    hits = grid.hits.reshape(grid.shape).astype(np.int64)
    both = (hits > 0) & (cells.hits > 0)
    assert np.count_nonzero(both) > 0.99 * np.count_nonzero(hits | cells.hits)
    assert np.abs(hits - cells.hits).sum() < 0.005 * hits.sum()
    thinner = grid.thickness.reshape(grid.shape)[both] - cells.minimum[both]
    assert np.count_nonzero(np.abs(thinner) < 1e-6) > 0.99 * thinner.size


def slow_figures(folder: Path, minutes: float, turns: int) -> list[Figure]:
    """Return the figures of 1,000 readings a second."""
    seconds = round(60 * minutes)
    found, raster = survey(folder / "slow", SLOW, seconds)
    files = dump(folder / "dump", raster, SLOW, seconds)
    check_agreement(replay(found), files, raster)
    took = median_of(turns, lambda: replay(found))
    offline = median_of(turns, lambda: bin_by_cell(files, raster))
    faster, share = seconds / took, offline / took
    readings = seconds * SLOW.gauge_hz
    return [
        Figure(
            f"rebuild of {minutes:g} min at 1,000 readings/s",
            f"{faster:,.0f} × real time ({took:.2f} s, {readings / took:,.0f} readings/s)",
            f"≥ {MIN_TIMES_REAL:g} ×",
            faster >= MIN_TIMES_REAL,
        ),
        Figure(
            "  of the speed of pandas and scipy offline",
            f"{share:.2f} ({offline:.2f} s, {seconds / offline:,.0f} × real time)",
            f"≥ {MIN_OF_OFFLINE:.2f}",
            share >= MIN_OF_OFFLINE,
        ),
    ]


def dense_figure(
    folder: Path, name: str, devices: Devices, seconds: int, turns: int, target: float
) -> Figure:
    """Return the figure of dense readings."""
    found, _ = survey(folder / name, devices, seconds)
    assert replay(found).readings > 0.99 * seconds * devices.gauge_hz
    rate = seconds * devices.gauge_hz / median_of(turns, lambda: replay(found))
    return Figure(
        f"{name}, {devices.gauge_hz:,} a second",
        f"{rate / 1e6:.2f} M readings/s",
        f"≥ {target / 1e6:g} M",
        rate >= target,
    )


def runs_figure(folder: Path, runs: int, turns: int) -> Figure:
    """Return the figure of short runs."""
    found = short_runs(folder / "runs", runs)
    assert replay(found).runs == runs
    took = median_of(turns, lambda: replay(found))
    return Figure(
        f"{runs} runs of {RUN_SECONDS} s",
        f"{took:.2f} s ({runs * RUN_SECONDS / took:,.0f} × real time)",
        f"< {MAX_RUNS_SECONDS:g} s",
        took < MAX_RUNS_SECONDS,
    )


def profile(folder: Path, minutes: float) -> None:
    """Print where the time of a rebuild at 1,000 readings a second goes."""
    found, _ = survey(folder / "slow", SLOW, round(60 * minutes))
    replay(found)
    profiler = cProfile.Profile()
    profiler.runcall(replay, found)
    pstats.Stats(profiler).sort_stats("tottime").print_stats(40)


def main(arguments: list[str] | None = None) -> int:
    """Print the figures; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description="How fast surveys are rebuilt.")
    parser.add_argument("--minutes", type=float, default=10.0, help="of 1,000 readings/s")
    parser.add_argument("--dense-seconds", type=int, default=10)
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--turns", type=int, default=3)
    cases = ("slow", "text", "frames", "runs")
    parser.add_argument("--only", choices=cases, nargs="+", default=cases)
    parser.add_argument("--profile", action="store_true", help="profile the case 'slow' instead")
    options = parser.parse_args(arguments)
    figures: list[Figure] = []
    with tempfile.TemporaryDirectory() as name:
        folder, dense, turns = Path(name), options.dense_seconds, options.turns
        if options.profile:
            profile(folder, options.minutes)
            return 0
        if "slow" in options.only:
            figures += slow_figures(folder, options.minutes, turns)
        if "text" in options.only:
            figures.append(dense_figure(folder, "dense text", TEXT, dense, turns, MIN_TEXT))
        if "frames" in options.only:
            figures.append(dense_figure(folder, "dense frames", FRAMES, dense, turns, MIN_FRAMES))
        if "runs" in options.only:
            figures.append(runs_figure(folder, options.runs, turns))
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    table = Table(title=f"Rebuild, medians of {turns}; load {load:.1f}")
    for heading in ("what", "found", "target", ""):
        table.add_column(heading)
    for one in figures:
        table.add_row(one.name, one.value, one.target, "met" if one.met else "MISSED")
    Console(width=120).print(table)
    return 0 if all(one.met for one in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
