"""Hundreds of surveys evaluated, compared and trended, through dask and without: is memory flat.

Surveys of one wall, a tenth of a year apart, of 60,000 cells each, are written as runs write them. For each
scheduler, in a process of its own: `evaluate` of every survey, `compare` of each with the one before, and the
trend over all. In the same run the same is done with an eighth of the surveys.

1. Peak memory of the process and those it started, next to 1 GiB, and next to that with few surveys.
2. Time for a survey, next to that without dask.
3. Whether the rate of the trend holds the wall's, and all schedulers give the same one.

Run ``python -m tests.benchmarks many_surveys [-- --surveys N]``; exit code 1 if a target is missed.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import swathe
from support.figures import report_figures
from swathe.journal import Chunk, Entry, JournalWriter, Mark, MarkKind, Tick
from swathe.store import SurveyFolder, replay, write_derived

__all__ = ["main"]

COLUMNS, ROWS, COUNTS_PER_MM = 300, 200, 10
YEAR_NS = 31_557_600_000_000_000
YEARS_APART, LOSS_MM_A_YEAR, NOISE_MM = 0.1, 0.05, 0.02
VELOCITY = 5.92  # mm/us
SCHEDULERS = ("none", "synchronous", "threads", "processes")
MOST_BYTES = 1 << 30
STATION = f"""
name = "bench"
[survey]
folder = "survey"
part = "Penstock 3"
nominal_thickness = "12 mm"
[scan]
length = "{COLUMNS - 1} mm"
resolution = "1 mm"
device = "instrument"
counts_per_mm = {COUNTS_PER_MM}
[index]
length = "{ROWS - 1} mm"
resolution = "1 mm"
device = "instrument"
counts_per_mm = {COUNTS_PER_MM}
[calibration]
velocity = "5920 m/s"
[device.instrument]
port = "socket://instrument:1"
protocol.columns = [
  {{ is = "counts", axis = "scan" }},
  {{ is = "counts", axis = "index" }},
  {{ is = "time_of_flight", unit = "us" }},
]
"""


def write_survey(folder: Path, number: int) -> None:
    """Write the survey with a number: a plane wall with waves, which becomes thinner everywhere."""
    random = np.random.default_rng(number)
    years = number * YEARS_APART
    utc = 1_400_000_000_000_000_000 + int(years * YEAR_NS)
    detail: dict[str, Any] = {"survey": "s", "station": STATION, "versions": {}, "utc_ns": utc}
    entries: list[Entry] = [Mark(0, MarkKind.OPENED, detail)]
    x = np.arange(COLUMNS)
    time_ns = 0
    for row in range(ROWS):
        time_ns += 200_000_000
        wall = 12 + 0.2 * np.sin(x / 40 + row / 30) - LOSS_MM_A_YEAR * years
        flight = 2 * (wall + random.normal(0, NOISE_MM, COLUMNS)) / VELOCITY
        places = x if row % 2 == 0 else x[::-1]
        lines = [
            f"{k * COUNTS_PER_MM},{row * COUNTS_PER_MM},{flight[k]:.5f}\r\n"
            for k in places.tolist()
        ]
        entries += [Chunk(time_ns, "instrument", "".join(lines).encode()), Tick(time_ns + 1)]
    end = {"status": "complete", "reason": "covered"}
    entries.append(Mark(time_ns + 1_000_000, MarkKind.ENDED, end))
    survey = SurveyFolder(folder / f"{number:04}")
    with survey:
        with JournalWriter(survey.journal, wall_clock=lambda: utc) as journal:
            for entry in entries:
                journal.write(entry)
        write_derived(survey, replay(survey))


def figures_of(path: Path) -> tuple[int, float]:
    """Return measured cells and the lowest square's mean of a survey."""
    found = swathe.open_survey(path).evaluate(levels=["90 %"], square=25.0)
    means = [s.figures.statistics.mean for s in found.squares if s.figures.statistics is not None]
    return found.survey.measured, min(means)


def loss_between(pair: tuple[Path, Path]) -> float:
    """Return the mean difference of two surveys, mm."""
    mean = swathe.compare_surveys(pair).whole.pairs[0].mean
    return float("nan") if mean is None else mean.value


def work(folder: Path, scheduler: str, count: int) -> None:
    """Do all that is measured, and print what came of it."""
    chosen = None if scheduler == "none" else scheduler
    paths = sorted(folder.iterdir())[:count]
    over = partial(swathe.over_surveys, scheduler=chosen)
    begun = time.monotonic()
    evaluated = list(over(figures_of, paths))
    after = time.monotonic()
    losses = list(over(loss_between, list(pairwise(paths))))
    compared = time.monotonic()
    rate = swathe.survey_trend(paths, scheduler=chosen).whole.rate
    assert rate is not None
    found = {
        "measured": sum(cells for cells, _ in evaluated),
        "loss_mm": sum(losses),
        "rate": rate.value,
        "low": rate.low,
        "high": rate.high,
        "evaluate_s": after - begun,
        "compare_s": compared - after,
        "trend_s": time.monotonic() - compared,
    }
    print(json.dumps(found))


def memory(process: int) -> int:
    """Return the resident bytes of a process and of all that it started."""
    parents: dict[int, list[int]] = {}
    sizes: dict[int, int] = {}
    page = os.sysconf("SC_PAGE_SIZE")
    for path in Path("/proc").glob("[0-9]*"):
        try:
            fields = (path / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue  # it has ended meanwhile
        parents.setdefault(int(fields[1]), []).append(int(path.name))
        sizes[int(path.name)] = int(fields[21]) * page
    total, left = 0, [process]
    while left:
        one = left.pop()
        total += sizes.get(one, 0)
        left += parents.get(one, [])
    return total


def measured(folder: Path, scheduler: str, count: int) -> dict[str, float]:
    """Return figures of the work with a scheduler, and its peak memory."""
    command = [sys.executable, __file__, "--work", str(folder), scheduler, str(count)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        most = 0
        while process.poll() is None:
            most = max(most, memory(process.pid))
            time.sleep(0.05)
        assert process.stdout is not None
        found: dict[str, float] = json.loads(process.stdout.read())
    return found | {"peak_mb": most / 1e6}


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description="Many surveys at once.")
    parser.add_argument("--surveys", type=int, default=400)
    parser.add_argument("--schedulers", nargs="+", default=SCHEDULERS, choices=SCHEDULERS)
    parser.add_argument("--work", nargs=3)
    options = parser.parse_args()
    if options.work:
        work(Path(options.work[0]), options.work[1], int(options.work[2]))
        return 0
    few = max(options.surveys // 8, 3)
    with TemporaryDirectory() as name:
        folder = Path(name)
        begun = time.monotonic()
        with ProcessPoolExecutor() as pool:
            list(pool.map(partial(write_survey, folder), range(options.surveys)))
        size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        print(
            f"{options.surveys} surveys, {size / 1e6:,.0f} MB on disk, written in {time.monotonic() - begun:.0f} s"
        )
        found, small = {}, {}
        for scheduler in dict.fromkeys(("none", *options.schedulers)):
            small[scheduler] = measured(folder, scheduler, few)
            found[scheduler] = measured(folder, scheduler, options.surveys)
            print(
                f"{scheduler:12} peak {found[scheduler]['peak_mb']:5.0f} MB "
                f"({small[scheduler]['peak_mb']:.0f} MB of {few}), evaluate "
                f"{found[scheduler]['evaluate_s']:.1f} s, compare {found[scheduler]['compare_s']:.1f} s, trend "
                f"{found[scheduler]['trend_s']:.1f} s, rate {found[scheduler]['rate']:.4f} mm/year "
                f"({found[scheduler]['low']:.4f} to {found[scheduler]['high']:.4f})",
                flush=True,
            )
    peak = max(one["peak_mb"] for one in found.values())
    keys = ("measured", "loss_mm", "rate", "low", "high")
    same = len({tuple(one[key] for key in keys) for one in found.values()}) == 1
    none = found["none"]
    # The loss is the same everywhere: readings scatter by far less than a line would.
    right = abs(none["rate"] - LOSS_MM_A_YEAR) < 0.001
    report_figures(
        peak_to_limit=peak * 1e6 / MOST_BYTES,
        peak_to_few=none["peak_mb"] / small["none"]["peak_mb"],
        **{
            f"trend_{scheduler}_to_none": one["trend_s"] / none["trend_s"]
            for scheduler, one in found.items()
            if scheduler != "none"
        },
    )
    print("all the same" if same else "the schedulers DIFFER", "" if right else "the rate is WRONG")
    return 0 if same and right and peak * 1e6 < MOST_BYTES else 1


if __name__ == "__main__":
    sys.exit(main())
