"""SIGKILLs of the real process on real pseudo-terminals: what each of them costs.

Each run of one survey is killed in mid-scan; then the journal is compared with what the simulated
gauge had sent, and the arrays are opened with xarray. Half of the kills happen on the computer as it
is, half next to busy loops.

A kill costs readings that are younger than 50 ms, and no reading twice; where the computer withholds
its processors, what it withheld in the second before comes on top.

Run ``python tests/benchmarks/kills.py [--kills 200] [--loops 4]``; exit code 1 if one cost more.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.daemon import DaemonProcess, station_text, swathe
from support.kills import Kill, kill_in_mid_scan
from swathe_simulators import World, builtin_scenario, load_scenario

SPEED = 5
_RUNS_OF_A_SURVEY = 20
_BUSY = "while True: pass"


def kills_of_a_survey(count: int, seed: int) -> tuple[list[Kill], int]:
    """Return what each of `count` kills of one survey cost, and how often xarray opened its arrays."""
    chance = np.random.default_rng([46, seed])
    kills, opened = [], 0
    with ExitStack() as stack:
        ports = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="swathe-")))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="swathe-")))
        station, survey = folder / "station.toml", folder / "survey"
        station.write_text(station_text("penstock", ports, speed=SPEED))
        scenario = load_scenario(builtin_scenario("penstock"))
        world = stack.enter_context(World(scenario, ports_dir=ports, speed=SPEED))
        for _ in range(count):
            process = DaemonProcess(station)
            stack.callback(process.close)
            kill = kill_in_mid_scan(process, world, survey, after=chance.uniform(1.5, 4.0))
            kills.append(kill)
            with xr.open_zarr(survey / "survey.zarr") as arrays:
                arrays.load()
                opened += 1
        rebuilt = swathe("rebuild", survey, "--no-picture")
        assert rebuilt.returncode == 0, rebuilt.stderr
    return kills, opened


def report(name: str, kills: list[Kill], opened: int) -> bool:
    """Print a row of figures; return whether the promise was kept."""
    ages = np.array([kill.age_ms for kill in kills])
    withheld = np.array([kill.withheld_ms for kill in kills])
    doubled = sum(kill.doubled for kill in kills)
    broken = sum(kill.age_ms > kill.allowed_ms for kill in kills)
    print(
        f"{name}: {len(kills)} kills, {sum(kill.sent for kill in kills):,} readings sent; oldest lost "
        f"reading {ages.max():.1f} ms, median {np.median(ages):.1f} ms; processors withheld in the "
        f"second before: median {np.median(withheld):.0f} ms, at most {withheld.max():.0f} ms; "
        f"{doubled} doubled; xarray opened the arrays {opened} times; promise broken {broken} times"
    )
    return broken == doubled == 0 and opened == len(kills)


def main() -> int:
    """Print the figures; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--loops", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    kept = True
    for name, loops in (("idle", 0), (f"next to {options.loops} busy loops", options.loops)):
        busy = [subprocess.Popen([sys.executable, "-c", _BUSY]) for _ in range(loops)]
        kills: list[Kill] = []
        opened = 0
        try:
            while (left := options.kills // 2 - len(kills)) > 0:
                more, opens = kills_of_a_survey(
                    min(left, _RUNS_OF_A_SURVEY), options.seed + len(kills)
                )
                kills, opened = kills + more, opened + opens
        finally:
            for process in busy:
                process.kill()
                process.wait()
        kept &= report(name, kills, opened)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
