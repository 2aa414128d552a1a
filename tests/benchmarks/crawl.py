"""Runs of the daemon with the simulated crawler, with whatever can go wrong drawn from a seed.

Each run has its own chances of slipping wheels, stalls, lost acknowledgements and garbage, cables
that come off (encoder, gauge, crawler) and places without coupling; nothing in it is repeated from
another. The daemon, the world and the ports (pseudo-terminals) live in one process; no broker.

What must hold of every run:

* it ends by itself, at the coverage target or saying why not, with the count of what is missing, and
  what it blames did happen in the simulated world;
* the crawler's own log has no violation: no end of travel, no excluded zone, no motion after a stop;
* every cell that counts as measured has a true reading within the guard's reach of it.

Run ``python tests/benchmarks/crawl.py [--runs 200] [--jobs 2] [--first 0]``; it ends with exit code
1 if one of them does not hold, and names the seeds.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.crawl import crawl_station, crawler_scenario, drive_crawler
from swathe_simulators import Scenario, World

SPEED = 15.0
LONGEST_S = 120.0
HALF_CELL = np.array([2.0, 4.0])
# Motor and encoder may part by 4 mm before it is a fault; the encoder itself is off by its rounding.
REACH = HALF_CELL + 1.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a run went: what went wrong on purpose, how it ended, and what must not be."""

    seed: int
    seconds: float
    covered: bool
    percent: float
    reason: str
    mishaps: dict[str, int]
    confirmed_late: int
    recovered: int
    bad: tuple[str, ...]


def scenario_of(seed: int) -> tuple[Scenario, int, float]:
    """Draw what goes wrong; return scenario, recoveries that are granted, and the zero count."""
    chance = np.random.default_rng(np.random.SeedSequence([2207, seed]))
    kinds = ("slip", "stall", "lost_acknowledgement", "garbage")
    most = {"slip": 0.08, "stall": 0.05, "lost_acknowledgement": 0.06, "garbage": 0.1}
    mishap = {kind: float(chance.choice([0.0, most[kind] * chance.random()])) for kind in kinds}
    mishap["slip_share"] = float(chance.uniform(0.02, 0.4))
    data: dict[str, Any] = crawler_scenario(mishap=mishap).model_dump(mode="json")
    data["fault"] = [
        {
            "kind": "coupling_loss",
            "scan_mm": [low, low + float(chance.uniform(10, 80))],
            "index_mm": [across, across + float(chance.uniform(5, 25))],
            "until": str(chance.choice(["revisit", "revisit", "always"])),
        }
        for low, across in chance.uniform((0, -4), (330, 60), (int(chance.integers(0, 3)), 2))
    ]
    data["unplug"] = [
        {
            "device": str(chance.choice(["encoder", "gauge", "crawler"])),
            "at_s": float(chance.uniform(5, 60)),
            "for_s": float(chance.uniform(0.05, 2.0) * SPEED),
        }
        for _ in range(int(chance.choice([0, 0, 1, 2])))
    ]
    recoveries = int(chance.choice([0, 3, 20]))
    # Before it is homed the encoder tells any place, within the plan too.
    return Scenario.model_validate(data), recoveries, float(chance.uniform(-13_000, 13_000))


def run_seed(seed: int) -> Verdict:
    """Make one run and judge it."""
    with tempfile.TemporaryDirectory(prefix="sw-") as folder:
        return _judged(seed, Path(folder))


def _judged(seed: int, folder: Path) -> Verdict:
    scenario, recoveries, zero_count = scenario_of(seed)
    (ports := folder / "p").mkdir()
    station = folder / "station.toml"
    guard = f'recoveries = {recoveries}\nport_patience = "5 s"'
    station.write_text(crawl_station(ports, speed=SPEED, guard=guard, zero_count=zero_count))
    bad: list[str] = []
    begun = time.monotonic()
    with World(scenario, ports_dir=ports, speed=SPEED, seed=seed) as world:
        run = asyncio.run(drive_crawler(station, seconds=LONGEST_S))
        seconds = time.monotonic() - begun
        crawler = world.crawler
        assert crawler is not None
        bad += [f"{event.kind}: {event.text}" for event in crawler.log.violations]
        mishaps: Counter[str] = Counter(happening.kind for happening in crawler.log.all())
        truth = world.truth.rows("gauge")
    outcome, progress = run.outcome, run.outcome.record.progress
    covered = outcome.status == "complete"
    if outcome.reason.startswith("not done after"):
        bad.append(outcome.reason)
    missing = progress.required - progress.measured
    if covered != (missing == 0):
        bad.append(f"{outcome.status}, yet {missing} cells are missing")
    if not covered and f"{missing:,} cells are missing" not in outcome.reason:
        bad.append(f"does not tell what is missing: {outcome.reason}")
    bad += _invented(outcome.folder.zarr, np.column_stack((truth["scan_mm"], truth["index_mm"])))
    happened = {kind: mishaps[kind] for kind in ("slipped", "stalled", "acknowledgement_lost",
                                                 "garbage", "hung_up", "stop")}  # fmt: skip
    if not covered and (blamed := _untrue(outcome.reason, scenario, mishaps)):
        bad.append(blamed)
    recovered = sum("continuing by itself" in words for words in run.words)
    return Verdict(seed, seconds, covered, progress.percent, outcome.reason, happened,
                   sum("homing again" in words for words in run.words), recovered, tuple(bad))  # fmt: skip


def _untrue(reason: str, scenario: Scenario, mishaps: Counter[str]) -> str:
    """Return what a run blames for its end though nothing like it happened; empty if it is true."""
    always = [fault for fault in scenario.fault if getattr(fault, "until", "") == "always"]
    answers = mishaps["acknowledgement_lost"] + mishaps["garbage"]
    causes = {
        "port lost": len(scenario.unplug),
        "encoder silent": len(scenario.unplug),
        "disagree": mishaps["slipped"] + mishaps["stalled"],
        "command without success": answers + len(scenario.unplug),
        "tries used up": len(always),
    }
    for words, count in causes.items():
        if words in reason:
            return "" if count else f"blames what never happened: {words}"
    return f"blames what is not known here: {reason}"


def _invented(store: Path, true_places: np.ndarray[Any, Any]) -> list[str]:
    """Tell of cells that count as measured though the probe truly never was there."""
    with xr.open_zarr(store) as survey:
        state = survey["state"]
        names = dict(zip(state.attrs["flag_meanings"].split(), state.attrs["flag_values"],
                         strict=True))  # fmt: skip
        index, scan = np.nonzero(state.to_numpy() == names["measured"])
        places = np.column_stack(
            (survey["scan"].to_numpy()[scan], survey["index"].to_numpy()[index])
        )
    if not len(places):
        return []
    distance, _ = cKDTree(true_places / REACH).query(places / REACH, p=np.inf)
    wrong = int(np.count_nonzero(distance > 1.0))
    return [f"{wrong} measured cells the probe was never in"] if wrong else []


def _ending(verdict: Verdict) -> str:
    """Return how a run ended, without places and numbers."""
    parts = verdict.reason.partition(";")[0].split(":")
    return ":".join(parts[:2] if parts[0] == "stopped" else parts[:1]).partition(" on ")[0]


def main() -> int:
    """Run, print a table and a summary; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    print("seed   s  cover  slip stall noack junk unplug  homed-again recovered  ended", flush=True)
    found: list[Verdict] = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for v in pool.map(run_seed, range(asked.first, asked.first + asked.runs)):
            found.append(v)
            m = v.mishaps
            print(
                f"{v.seed:4} {v.seconds:3.0f} {v.percent:6.2f}  {m['slipped']:4} {m['stalled']:5} "
                f"{m['acknowledgement_lost']:5} {m['garbage']:4} {m['hung_up'] - 1:6}  "
                f"{v.confirmed_late:11} {v.recovered:9}  {v.reason}"
                + "".join(f"  BAD: {text}" for text in v.bad),
                flush=True,
            )
    covered = sum(v.covered for v in found)
    faulty = [v.seed for v in found if v.bad]
    happened = sum((Counter(v.mishaps) for v in found), Counter())
    happened["hung_up"] -= len(found)  # each run hangs up once, at its end
    print("\nwhat went wrong: " + ", ".join(f"{n} {kind}" for kind, n in happened.items()))
    for ending, number in Counter(_ending(v) for v in found).most_common():
        print(f"{number:5} {ending}")
    print(f"{len(found)} runs: {covered} covered, {len(found) - covered} ended saying why not, "
          f"{len(faulty)} bad{': ' + str(faulty) if faulty else ''}")  # fmt: skip
    return 1 if faulty else 0


if __name__ == "__main__":
    sys.exit(main())
