"""Runs the daemon in simulated time with faults of port, clock and disk, and kills, each run from one seed.

What must hold after a run is in `support.simulated.faulty_run`: nothing is invented, nothing that was
synced is lost, a kill loses nothing older than 50 ms, no cell is misplaced, a rebuild equals the live
run byte for byte, an error has a text, and the run ends; only a disk that refuses to the last, and that
it reports, may keep it.

    python tests/fuzz/faults.py --surveys 2000
    python tests/fuzz/faults.py --seed 7
    python tests/fuzz/faults.py --every-step
    python tests/fuzz/faults.py --every-failure
    python tests/fuzz/faults.py --failure 31
    python tests/fuzz/faults.py --crawls 50
    python tests/fuzz/faults.py --crawl 7

`--every-step` kills one survey at each change of a file, and cuts the power at each of them.
`--every-failure` lets each change or sync of a file fail, once and from then on, as an error of the disk
and as a full one, in a new survey and in one that is resumed after a cut of the power. `--crawls` lets a crawler scan: it rests in time
after each fault, also of the daemon itself, and no run says that it rests where it moves. What is found is printed with
the command that repeats it, and then the exit code is 1.
"""

from __future__ import annotations

import argparse
import gc
import logging
import os
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterable
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Self

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.simulated.crawl_world import CrawlPlan, CrawlRun, crawl_plan_of
from support.simulated.disk import Killed
from support.simulated.faulty_run import FIRST_STEP, STEP_FAULTS, FaultyRun, Plan, plan_of
from support.simulated.machine import Machine

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "Tally",
    "main",
    "run_crawl",
    "run_crawls",
    "run_failures",
    "run_plan",
    "run_seeds",
    "steps_of_a_run",
]

_MEMORY = "/dev/shm"  # noqa: S108
_CUT = [(70, True)]
"""After which a survey is resumed with a checkpoint."""
_LASTING = 1_000_000
_COLLECTED_TOGETHER = 20
_ROOT = _MEMORY if Path(_MEMORY).is_dir() else None


@dataclass
class Tally:
    """What was run and found.

    Attributes:
        surveys: that were scanned.
        runs: of the daemon: a survey has one for each kill and refusal, and one that ends.
        faults: how often each was drawn.
        problems: what did not hold, with the command that repeats it.
    """

    surveys: int = 0
    runs: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)

    def add(self, plan: Plan, run: FaultyRun, command: str) -> None:
        """Count a survey."""
        self.surveys += 1
        self.runs += run.runs
        self.faults.update(plan.names() or ["none"])
        self.problems += [
            f"{problem}\n  {', '.join(plan.names())}: {command}" for problem in run.problems
        ]

    def __iadd__(self, other: Tally) -> Self:
        """Add what another has counted."""
        self.surveys += other.surveys
        self.runs += other.runs
        self.faults.update(other.faults)
        self.problems += other.problems
        return self


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the log and the user's cache out of it."""
    before, level = os.environ.get("XDG_CACHE_HOME"), logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(level)
        if before is None:
            os.environ.pop("XDG_CACHE_HOME", None)
        else:
            os.environ["XDG_CACHE_HOME"] = before


def run_plan(plan: Plan) -> FaultyRun:
    """Run one plan on an empty disk."""
    with _quiet(), tempfile.TemporaryDirectory(prefix="swathe-faults-", dir=_ROOT) as folder:
        os.environ["XDG_CACHE_HOME"] = f"{folder}/cache"
        run = FaultyRun(plan, Path(folder))
        try:
            run.run()
        except (Exception, Killed) as error:  # noqa: BLE001  the next seeds are still run
            run.problems.append(_of_harness(error))
        return run


def _of_harness(error: BaseException) -> str:
    """Return an error that no run should raise."""
    where = traceback.extract_tb(error.__traceback__)[-1]
    return (
        f"the harness raises {type(error).__name__}: {error} "
        f"({Path(where.filename).name}:{where.lineno})"
    )


@contextmanager
def _seldom_collecting() -> Iterator[None]:
    """Let the collector leave alone what is loaded.

    It looks at all of it many times in a survey otherwise, for a seventh of the whole time.
    """
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
        gc.unfreeze()


def run_seeds(seeds: Iterable[int]) -> Tally:
    """Run the plan of each seed."""
    tally = Tally()
    with _seldom_collecting():
        for number, seed in enumerate(seeds, 1):
            plan = plan_of(seed)
            tally.add(plan, run_plan(plan), f"python tests/fuzz/faults.py --seed {seed}")
            if number % _COLLECTED_TOGETHER == 0:
                gc.collect()
    return tally


def run_crawl(plan: CrawlPlan) -> CrawlRun:
    """Run one plan of a crawler on an empty disk."""
    with _quiet(), tempfile.TemporaryDirectory(prefix="swathe-crawls-", dir=_ROOT) as folder:
        os.environ["XDG_CACHE_HOME"] = f"{folder}/cache"
        run = CrawlRun(plan, Machine(Path(folder), plan.seed))
        try:
            run.run()
        except (Exception, Killed) as error:  # noqa: BLE001  the next seeds are still run
            run.problems.append(_of_harness(error))
        return run


def run_crawls(seeds: Iterable[int], *, whole: bool = False) -> Tally:
    """Run the crawler's plan of each seed; the `whole` run, or its first moves."""
    tally = Tally()
    with _seldom_collecting():
        for seed in seeds:
            plan = crawl_plan_of(seed, whole=whole)
            tally.surveys += 1
            tally.faults[plan.kind or "none"] += 1
            tally.problems += [
                f"{problem}\n  {plan}: python tests/fuzz/faults.py --crawl {seed}"
                for problem in run_crawl(plan).problems
            ]
            gc.collect()
    return tally


def steps_of_a_run(*, resumed: bool = False) -> int:
    """Return how many changes of files a run without faults makes."""
    return run_plan(Plan(0, kills=_CUT if resumed else [])).steps


def run_failures(steps: Iterable[int], *, resumed: bool) -> Tally:
    """Let each of these changes or syncs of a file fail, in a new survey or in a resumed one."""
    tally = Tally()
    with _seldom_collecting():
        for step in steps:
            for kind in STEP_FAULTS:
                for last in (step + 1, _LASTING):
                    plan = Plan(step, disk_fault=(kind, step, last), kills=_CUT if resumed else [])
                    command = f"python tests/fuzz/faults.py --failure {step}"
                    tally.add(plan, run_plan(plan), f"{plan}: {command}")
            gc.collect()
    return tally


def main() -> int:
    """Run as the arguments say."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--surveys", type=int, default=200, help="how many (200)")
    parser.add_argument("--first", type=int, default=1, help="the first one's seed (1)")
    parser.add_argument("--seed", type=int, help="only this one, with what was drawn")
    parser.add_argument("--every-step", action="store_true", help="kill at every step")
    parser.add_argument("--every-failure", action="store_true", help="let every step fail")
    parser.add_argument("--failure", type=int, help="let only this step fail")
    parser.add_argument("--crawls", type=int, help="so many runs of a crawler instead")
    parser.add_argument("--crawl", type=int, help="only the one of this seed")
    arguments = parser.parse_args()
    began = time.process_time()
    if arguments.every_step:
        tally = Tally()
        for step in range(FIRST_STEP, steps_of_a_run() + 1):
            for cut in (False, True):
                plan = Plan(step, kills=[(step, cut)])
                tally.add(plan, run_plan(plan), f"step {step}")
    elif arguments.every_failure or arguments.failure is not None:
        tally, one = Tally(), arguments.failure
        for resumed in (False, True):
            last = steps_of_a_run(resumed=resumed)
            steps = range(FIRST_STEP, last + 1) if one is None else [one]
            tally += run_failures(steps, resumed=resumed)
    elif arguments.crawls is not None:
        first = arguments.first
        tally = run_crawls(range(first, first + arguments.crawls), whole=True)
    elif arguments.crawl is not None:
        print(crawl_plan_of(arguments.crawl, whole=True))
        tally = run_crawls([arguments.crawl], whole=True)
    elif arguments.seed is not None:
        print(plan_of(arguments.seed))
        tally = run_seeds([arguments.seed])
    else:
        tally = run_seeds(range(arguments.first, arguments.first + arguments.surveys))
    for problem in tally.problems:
        print(problem)
    for name, count in sorted(tally.faults.items()):
        print(f"{count:8} {name}")
    print(
        f"{tally.surveys} surveys in {tally.runs} runs, {len(tally.problems)} problems, "
        f"{time.process_time() - began:.0f} s of the processor"
    )
    return 1 if tally.problems else 0


if __name__ == "__main__":
    sys.exit(main())
