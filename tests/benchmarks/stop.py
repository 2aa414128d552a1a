"""From a fault to the stop at the crawler's port: target under 50 ms.

Each run drives the simulated crawler from homing into its first line, and then one thing happens:

* a stop command, timed from when the command is handed to the daemon;
* a device's cable comes off, timed from when it is pulled;
* the encoder falls silent, timed from when the silence has lasted as long as the station file
  allows (`guard.encoder_silence`), the rest between two moves not counted;
* the wheels slip, timed from when `guard.lag` was over after the machine first reported a place that is
  farther than `guard.disagreement` from each true one between question and answer, and within that
  lag before and after: before, the encoder may only be late. What is found between two moves, at rest, is not counted: there is nothing to stop.

The end is when the simulated crawler read the stop at its end of the pseudo-terminal.

Run ``python tests/benchmarks/stop.py [--faults 52]``; exit code 1 if one took longer or never came.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import sys
import tempfile
import time
import uuid
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.crawl import crawl_station, crawler_scenario, drive_crawler
from support.relay import Relay
from swathe.journal import Chunk, Mark, MarkKind, Sent, read_journal
from swathe.live import Daemon
from swathe.live.origin import Origin
from swathe.messages import CommandMessage
from swathe.motion import State
from swathe_simulators import World

TARGET_MS = 50.0
SPEED = {"wheels slip": 1.0}
USUAL_SPEED = 4.0
DISAGREEMENT_MM = 4.0
LAG_NS = 60_000_000
SILENCE_NS = 200_000_000
GUARD = (
    f'lag = "{LAG_NS / 1e6:g} ms"\nencoder_silence = "{SILENCE_NS / 1e6:g} ms"\nfirst_move = "0 mm"'
)
KINDS = ("stop command", "cable off", "encoder silent", "wheels slip")
_PLACE = re.compile(rb"POS X(-?[0-9.]+) Y(-?[0-9.]+)")


def one(kind: str, seed: int) -> float:
    """Let one fault happen; return ms from it to the stop at the port.

    NaN if no stop came, infinity if nothing moved when the fault was found.
    """
    chance = np.random.default_rng([2207, seed])
    mishap = {"slip": 0.6, "slip_share": float(chance.uniform(0.2, 0.6))}
    scenario = crawler_scenario(mishap=mishap if kind == "wheels slip" else None)
    speed = SPEED.get(kind, USUAL_SPEED)
    happened = [0]

    async def meanwhile(daemon: Daemon) -> None:
        crawl = daemon.crawl
        assert crawl is not None
        while crawl.machine.state is not State.MOVING:  # noqa: ASYNC110
            await asyncio.sleep(0.005)
        await asyncio.sleep(float(chance.uniform(0.1, 0.5)))
        happened[0] = time.monotonic_ns()
        if kind == "stop command":
            stop = CommandMessage(command="stop", id=uuid.uuid4().hex, by="benchmark")
            daemon.commands.execute(stop, Origin.MQTT)
        elif kind == "cable off":
            world.unplug(str(chance.choice(["encoder", "gauge"])))
        elif kind == "encoder silent":
            relay.mute()

    with tempfile.TemporaryDirectory(prefix="sw-") as folder:
        (ports := Path(folder) / "p").mkdir()
        station = Path(folder) / "station.toml"
        text = crawl_station(ports, speed=speed, guard=GUARD)
        with World(scenario, ports_dir=ports, speed=speed, seed=seed) as world:
            if kind == "encoder silent":
                with Relay(ports / "encoder") as relay:
                    station.write_text(text.replace(f"{ports}/encoder", relay.url))
                    asyncio.run(drive_crawler(station, seconds=30, meanwhile=meanwhile))
            else:
                station.write_text(text)
                slips = kind == "wheels slip"
                other = None if slips else meanwhile
                asyncio.run(drive_crawler(station, seconds=30, meanwhile=other))
            crawler = world.crawler
            assert crawler is not None
            stops = crawler.log.all("stop")
            truth = world.truth.rows("encoder")
        begun = happened[0]
        if kind == "encoder silent":
            begun += SILENCE_NS + rest_after(
                begun, motion_marks(Path(folder) / "survey" / "journal")
            )
        elif kind == "wheels slip":
            found = apart(Path(folder) / "survey" / "journal", truth)
            if found is None:
                return float("inf")
            begun = found
    return (stops[0].host_time_ns - begun) / 1e6 if stops and begun else float("nan")


def motion_marks(journal: Path) -> list[tuple[int, str]]:
    """Return when the machine came into which state, host time in ns."""
    return [
        (entry.time, str(entry.detail["state"]))
        for entry in read_journal(journal)
        if isinstance(entry, Mark) and entry.kind is MarkKind.MOTION
    ]


def rest_after(begin: int, marks: list[tuple[int, str]]) -> int:
    """Return for how long it was armed and at rest from a time on, ns."""
    rest = 0
    for (since, state), (until, _) in pairwise(marks):
        if state == "armed":
            rest += max(0, until - max(since, begin))
    return rest


def apart(journal: Path, truth: np.ndarray[tuple[int], np.dtype[np.void]]) -> int | None:
    """Return when the machine's places and the truth were apart too far for too long.

    0 if they never were, None if nothing moved when it was found.
    """
    states = [state for _, state in motion_marks(journal)]
    if "failing" in states and states[states.index("failing") - 1] != "moving":
        return None
    asked = 0
    for entry in read_journal(journal):
        if isinstance(entry, Sent) and entry.port == "motion" and entry.data == b"?":
            asked = entry.time
        if not isinstance(entry, Chunk) or entry.port != "motion":
            continue
        for found in _PLACE.finditer(entry.data):
            times = truth["host_time_ns"]
            near = (asked - LAG_NS <= times) & (times <= entry.time + LAG_NS)
            for axis, place in zip(("scan_mm", "index_mm"), found.groups(), strict=True):
                places, report = truth[axis][near], float(place)
                off = max(report - places.max(), places.min() - report) if near.any() else 0.0
                if off > DISAGREEMENT_MM:
                    return entry.time + LAG_NS
    return 0


def main() -> int:
    """Run, print times by kind and of all; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=52)
    faults = parser.parse_args().faults
    times: dict[str, list[float]] = {kind: [] for kind in KINDS}
    seeds = iter(range(100 * faults))
    for number in range(faults):
        kind = KINDS[number % len(KINDS)]
        while (taken := one(kind, next(seeds))) == float("inf"):
            pass
        times[kind].append(taken)
    print("from fault to stop at the crawler's port, ms   n  median   95th    most")
    for kind, found in [*times.items(), ("all", [t for each in times.values() for t in each])]:
        middle, high, most = np.percentile(found, [50, 95, 100])
        print(f"{kind:44} {len(found):3} {middle:7.1f} {high:6.1f} {most:7.1f}")
    # NaN, where no stop came, is no time under the target.
    met = all(t < TARGET_MS for each in times.values() for t in each)
    print(f"target of {TARGET_MS:g} ms {'met' if met else 'MISSED'}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
