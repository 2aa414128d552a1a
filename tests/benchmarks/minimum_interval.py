"""How often the 95 % interval for the minimum holds the true one, over 1,000 simulated surveys a row.

Walls: flat, rough and wavy with several standard deviations and lengths, with few and many pits; 1, 5
and 20 readings a cell; 200 to 50,000 cells; readings with a standard deviation of 0.05 mm that is
known with 60 degrees of freedom; a calibration whose error has 0.01 mm, known with 20; couplant errors of
0, 2, 5 and 10 ns of travel time in steel, drawn for each cell, or once for the survey. The last
columns have the minimum reading with its expanded uncertainty, as one would state it for a reading.

Run ``python tests/benchmarks/minimum_interval.py [RUNS]``; it prints a table and ends with exit
code 1 if a row with 1,000 runs holds the true minimum in fewer than 93 %.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.calibration.minimum_walls import WALLS, Survey

__all__ = ["main", "surveys"]

RUNS = 1000
LOWEST = 0.93
MM_PER_NS = 5.92e-3 / 2
COMMON = 0.01


def surveys() -> Iterator[tuple[str, Survey]]:
    """Yield a name of the coupling and a survey for each row."""
    for wall in WALLS:
        for readings in (1, 5, 20):
            for ns in (0, 2, 5, 10):
                coupling = ns * MM_PER_NS
                yield (
                    f"{ns} ns",
                    Survey(wall=wall, readings=readings, coupling=coupling, common=COMMON),
                )
    for wall in ("flat", "1 pit 0.25 mm", "5 pits 0.3 mm", "waves 0.3 mm, 10 cells"):
        yield (
            "10 ns, one coupling",
            Survey(wall=wall, readings=5, coupling=10 * MM_PER_NS, once=True, common=COMMON),
        )
        for cells in (200, 10_000, 50_000):
            yield "5 ns", Survey(wall=wall, cells=cells, coupling=5 * MM_PER_NS, common=COMMON)
        yield "0 ns, mean or last", Survey(wall=wall, readings=5, common=COMMON, keeps_lowest=False)
        yield "0 ns, 8 dof", Survey(wall=wall, dof=8, common=COMMON, common_dof=4)


def main(runs: int) -> int:
    """Print the table; return 1 if a row misses the target."""
    print(f"{runs:,} surveys a row; lengths in mm; 'reading' is the minimum reading +- U (k = 2)")
    print(
        f"{'wall':31}{'coupling':20}{'cells':>7}{'readings':>9}{'holds':>8}{'too high':>9}"
        f"{'too low':>8}{'length':>8}{'reading':>9}{'length':>8}"
    )
    shares: list[float] = []
    for seed, (coupling, survey) in enumerate(surveys()):
        rng = np.random.default_rng(seed)
        found = [survey.read(rng) for _ in range(runs)]
        holds = float(np.mean([one.holds for one in found]))
        above = np.mean([one.interval.low > one.minimum for one in found])
        below = np.mean([one.interval.high < one.minimum for one in found])
        length = np.mean([one.interval.high - one.interval.low for one in found])
        single = np.mean([one.single[0] <= one.minimum <= one.single[1] for one in found])
        old = np.mean([one.single[1] - one.single[0] for one in found])
        print(
            f"{survey.wall:31}{coupling:20}{survey.cells:7,}{survey.readings:9}{holds:8.1%}{above:9.1%}"
            f"{below:8.1%}{length:8.3f}{single:9.1%}{old:8.3f}",
            flush=True,
        )
        shares.append(holds)
    print(f"holds in {min(shares):.1%} to {max(shares):.1%}, in the mean {np.mean(shares):.1%}")
    return int(min(shares) < LOWEST and runs >= RUNS)


if __name__ == "__main__":
    begin = time.monotonic()
    failed = main(int(sys.argv[1]) if len(sys.argv) > 1 else RUNS)
    print(f"{time.monotonic() - begin:.0f} s")
    sys.exit(failed)
