"""SIGKILLs of the real process on real pseudo-terminals: what each of them costs.

Each run of a survey is killed at a random moment of its start-up, of the replay of earlier runs, of the
scan, of a checkpoint, or of its end. Then the journal is compared with what the simulated gauge had
sent, and the arrays are opened with xarray. The last run of each survey ends in good order; what was
derived live and what is rebuilt from its journal are the same bytes.

A kill costs readings that are younger than 50 ms, and no reading twice; where the computer withholds
its processors, what the threads of the daemon and of its devices waited for one in the quarter of a
second before comes on top.

Run ``python tests/benchmarks/kills.py [--kills 200] [--load 4]``; exit code 1 if one cost more.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import xarray as xr

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.daemon import DaemonProcess, station_text, swathe, wait_for
from support.kills import MOMENTS, Kill, kill_at
from swathe.errors import SurveyError
from swathe.store import LastRun, SurveyFolder, last_run, read_survey_record
from swathe_simulators import World, builtin_scenario, load_scenario

SPEED = 5
_RUNS_OF_A_SURVEY = 10
_BUSY = "while True: pass"
# Longest time after a moment began, s.
_AFTER = {"start-up": 3.0, "resume": 0.6, "scan": 2.5, "checkpoint": 0.06, "end": 0.4}


@dataclass
class Outcome:
    """What the kills of surveys cost.

    Attributes:
        kills: each of them.
        with_arrays: kills after which there were arrays.
        opened: how often xarray opened them.
        surveys: whose last run resumed and ended in good order.
        equal: of them, those whose rebuilt files are those of the live run.
        early: runs that ended in good order before they had replayed the earlier ones.
        problems: what else was wrong.
    """

    kills: list[Kill] = field(default_factory=list)
    with_arrays: int = 0
    opened: int = 0
    surveys: int = 0
    equal: int = 0
    early: int = 0
    problems: list[str] = field(default_factory=list)


def kill_runs_of_a_survey(outcome: Outcome, count: int, seed: int) -> None:
    """Kill `count` runs of one survey, end the next one in good order, and rebuild."""
    chance = np.random.default_rng([46, seed])
    with ExitStack() as stack:
        ports = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="swathe-")))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="swathe-")))
        station, survey = folder / "station.toml", folder / "survey"
        text = station_text("penstock", ports, speed=SPEED) + '\n[store]\ncheckpoint = "0.5 s"\n'
        station.write_text(text)
        scenario = load_scenario(builtin_scenario("penstock"))
        world = stack.enter_context(World(scenario, ports_dir=ports, speed=SPEED))
        for run in range(count):
            process = DaemonProcess(station)
            stack.callback(process.close)
            moment = MOMENTS[(run + seed) % len(MOMENTS)]
            after = chance.uniform(0.0, _AFTER[moment])
            outcome.kills.append(kill_at(moment, process, world, survey, after=after))
            if (survey / "survey.zarr").exists():
                outcome.with_arrays += 1
                try:
                    with xr.open_zarr(survey / "survey.zarr") as arrays:
                        arrays.load()
                    outcome.opened += 1
                except Exception as error:  # noqa: BLE001  whatever it is, it is counted
                    outcome.problems.append(f"seed {seed}, run {run}, {moment}: {error!r}")
        problem = _end(station, survey)
        while not problem and _last_run(survey) is LastRun.BEHIND:
            outcome.early += 1  # its record is older than its journal, and is reported as that
            problem = _end(station, survey)
        problem = problem or _rebuild(survey)
        outcome.surveys += 1
        outcome.equal += not problem
        if problem:
            outcome.problems.append(f"seed {seed}: {problem}")


def _end(station: Path, survey: Path) -> str:
    """Resume a survey and end it in good order; return what was wrong."""
    last = DaemonProcess(station)
    try:
        wait_for(
            lambda: not last.running or _last_run(survey) is LastRun.LIVE,
            600,
            "the run after the last kill",
        )
        if last.running:
            last.signal(signal.SIGTERM)
        code, output = last.finish()
    finally:
        last.close()
    if code not in (0, 3) or "Traceback" in output:
        return f"the run after the last kill ended with {code}: {output[-2000:]}"
    return ""


def _rebuild(survey: Path) -> str:
    """Rebuild a survey that ended in good order, and check it; return what was wrong."""
    derived = [*sorted((survey / "survey.zarr").rglob("*")), survey / "survey.json"]
    live = {path: path.read_bytes() for path in derived if path.is_file()}
    rebuilt = swathe("rebuild", survey, "--no-picture")
    if rebuilt.returncode:
        return f"rebuild: {rebuilt.stdout}{rebuilt.stderr}"
    differing = [str(path) for path, data in live.items() if path.read_bytes() != data]
    if differing:
        return f"rebuild differs: {', '.join(differing)}"
    checked = swathe("check", survey)
    return f"check: {checked.stdout}{checked.stderr}" if checked.returncode else ""


def _last_run(survey: Path) -> LastRun | None:
    """Return what is known of a survey's last run; None while it has no record."""
    folder = SurveyFolder(survey)
    try:
        return last_run(folder, read_survey_record(folder.record))
    except SurveyError:
        return None


def report(name: str, outcome: Outcome) -> bool:
    """Print rows of figures; return whether the promise was kept."""
    for moment in MOMENTS:
        kills = [kill for kill in outcome.kills if kill.moment == moment]
        if not kills:
            continue
        ages = np.array([kill.age_ms for kill in kills])
        waited = np.array([kill.waited_ms for kill in kills])
        over = np.array([max(0.0, kill.age_ms - kill.waited_ms) for kill in kills])
        print(
            f"{name}, {moment}: {len(kills)} kills, {sum(kill.sent for kill in kills):,} readings sent; "
            f"oldest lost reading {ages.max():.1f} ms, median {np.median(ages):.1f} ms, "
            f"{(ages > 50).sum()} older than 50 ms; without what daemon and devices waited for a "
            f"processor at most {over.max():.1f} ms; they waited {np.median(waited):.0f} ms in the "
            f"quarter of a second before (median), at most {waited.max():.0f} ms"
        )
    kills = outcome.kills
    doubled, invented = (
        sum(getattr(one, what) for one in kills) for what in ("doubled", "invented")
    )
    broken = sum(kill.age_ms > kill.strictly_allowed_ms for kill in kills)
    print(
        f"{name}: {len(kills)} kills, {doubled} readings doubled, {invented} invented; xarray opened "
        f"the arrays {outcome.opened} times of {outcome.with_arrays}; {outcome.equal} of "
        f"{outcome.surveys} surveys resumed, ended, and were rebuilt byte for byte ({outcome.early} runs "
        f"ended before they had replayed the earlier ones); promise broken {broken} times"
    )
    for problem in outcome.problems:
        print(f"  {problem}")
    return not (broken or doubled or invented or outcome.problems)


def main() -> int:
    """Print the figures; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--load", type=int, default=0, help="busy loops next to it")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    busy = [subprocess.Popen([sys.executable, "-c", _BUSY]) for _ in range(options.load)]
    outcome, seed = Outcome(), options.seed
    try:
        while (left := options.kills - len(outcome.kills)) > 0:
            kill_runs_of_a_survey(outcome, min(left, _RUNS_OF_A_SURVEY), seed)
            seed += 1
            print(f"{len(outcome.kills)} kills", file=sys.stderr, flush=True)
    finally:
        for process in busy:
            process.kill()
            process.wait()
    name = f"next to {options.load} busy loops" if options.load else "without a load of its own"
    return 0 if report(name, outcome) else 1


if __name__ == "__main__":
    sys.exit(main())
