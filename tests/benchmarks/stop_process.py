"""How far the crawler travels after the daemon is killed, stopped or hung in C code.

Each run drives the simulated crawler into a line, and takes the daemon away; the way is that of the
simulated crawler, from then to its rest. It goes at 120 mm/s at most and brakes at 400 mm/s².

Run ``python tests/benchmarks/stop_process.py [--runs 5]``; exit code 1 if one did not stop, or went
farther than 1.25 s without a sign of life, its braking and half a second for the machine allow.
"""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.crawl import crawl_station, crawler_of, crawler_scenario, moved
from support.daemon import DaemonProcess, wait_for
from swathe_simulators import World

KINDS = ("SIGKILL", "SIGSTOP", "hung")
MOST_MM = 120 * (1.25 + 0.5) + 120**2 / 2 / 400
_HUNG = Path(__file__).parent.parent / "support" / "hung.py"


def one(kind: str, seed: int) -> float:
    """Return how far the crawler travelled on, mm."""
    chance = np.random.default_rng([1709, seed])
    with tempfile.TemporaryDirectory(prefix="sw-") as name:
        folder = Path(name)
        (ports := folder / "p").mkdir()
        (station := folder / "station.toml").write_text(crawl_station(ports))
        with World(crawler_scenario(), ports_dir=ports, speed=1.0) as world:
            crawler = crawler_of(world)
            if kind == "hung":
                process = subprocess.Popen(
                    [sys.executable, str(_HUNG), str(station)], stdout=subprocess.PIPE
                )
                assert process.stdout is not None
                process.stdout.readline()
                stops, begun = len(crawler.log.all("stop")), moved(world)
                end = process.kill
            else:
                daemon = DaemonProcess(station, "--arm")
                most = float(chance.uniform(250, 500))
                wait_for(lambda: moved(world) > most, 60, "a move")
                stops, begun = len(crawler.log.all("stop")), moved(world)
                daemon.signal(getattr(signal, kind))
                end = daemon.close
            wait_for(lambda: len(crawler.log.all("stop")) > stops, 30, "the stop")
            time.sleep(1.0)  # it brakes in 0.3 s
            way = moved(world) - begun
            end()
            return way


def main() -> int:
    """Print a line for each kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    good = True
    for kind in KINDS:
        ways = [one(kind, seed) for seed in range(runs)]
        good &= max(ways) < MOST_MM
        print(f"{kind:8} {runs} runs: it travelled {min(ways):.0f} to {max(ways):.0f} mm")
    print(f"{'within' if good else 'NOT within'} {MOST_MM:.0f} mm")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
