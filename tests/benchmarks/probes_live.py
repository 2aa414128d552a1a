"""Sixteen probes at 1,000 readings a second each, live: does the whole daemon keep up, at what cost.

A simulated world in a process of its own serves the carriage on pseudo-terminals at its true speed: all
probes side by side in a line, a line for each reading with its input's number, and a port for each probe.
The daemon runs with Debian's mosquitto; a subscriber reads its progress. In the same run a script of a few
lines reads the same ports and appends the bytes to a file: the ratio holds on any machine.

1. Processor time of the daemon and of the script, as a share of a core; of the world that serves them; and
   what the daemon waited for a processor, which a busy machine withholds, and which ages what it has.
2. Readings that came and that were placed, of 16,000 a second; what is missing of either is a backlog or
   was lost at the port, which the world did not serve in time.
3. Age of the newest echo of the probe whose echo is the oldest, as a progress message arrives: p50 and p99.

Run ``python -m tests.benchmarks probes_live [-- --seconds S --ports KIND ...]``; exit code 1 if the daemon
does not keep up.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import signal
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import aiomqtt

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.live_cost import STORE_ONLY, share_of
from benchmarks.stations import processor
from support.broker import Broker
from support.daemon import wait_for
from support.figures import report_figures
from swathe.draft import PlanWishes, simulated_draft, station_file_text
from swathe_simulators import Scenario, World

__all__ = ["main"]

PROBES, RATE_HZ, ENCODER_HZ = 16, 1_000, 200
PORTS = ("values", "input", "ports")
# Of the readings that came so many are placed, and the newest echo is no older.
LEAST_PLACED, MOST_AGE_S = 0.99, 0.5
SETTLE_S = 5.0


def scenario_of(ports: str) -> Scenario:
    """Return a carriage that moves at 200 mm/s along one line of 40 m."""
    pty = {"kind": "pty", "baud": 4_000_000}
    probes = [
        {"name": f"p{k}", "input": k + 1, "index_mm": 2.0 * k - PROBES + 1} for k in range(PROBES)
    ]

    def gauge(name: str, some: list[dict[str, Any]], rate: int, **more: str) -> dict[str, Any]:
        return {
            "name": name,
            "kind": "gauge",
            "rate_hz": rate,
            "probes": some,
            "clock": {"offset_us": 81_250_000},
            "latency": {"delay_ms": 3, "jitter_ms": 1},
            "port": pty,
            **more,
        }

    if ports == "ports":
        gauges = [gauge(f"gauge{k}", [one], RATE_HZ) for k, one in enumerate(probes)]
    else:
        times = PROBES if ports == "input" else 1
        gauges = [gauge("gauge", probes, times * RATE_HZ, sends=ports)]
    axes = [{"axis": axis, "counts_per_mm": 20} for axis in ("scan", "index")]
    encoder = {
        "name": "encoder",
        "kind": "encoder",
        "rate_hz": ENCODER_HZ,
        "axes": axes,
        "clock": {"offset_us": 5_000_000},
        "latency": {"delay_ms": 2, "jitter_ms": 1},
        "port": pty,
    }
    motion = {
        "kind": "raster",
        "scan_start_mm": 0,
        "scan_end_mm": 40_000,
        "run_out_mm": 10,
        "index_start_mm": 0,
        "index_step_mm": 1,
        "index_count": 1,
        "speed_mm_per_s": 200,
        "acceleration_mm_per_s2": 400,
        "index_speed_mm_per_s": 40,
        "index_acceleration_mm_per_s2": 200,
    }
    part = {
        "outside_diameter_mm": 2200,
        "nominal_mm": 14,
        "scan_mm": [0, 40_000],
        "index_mm": [-16, 16],
    }
    return Scenario.model_validate(
        {
            "name": "many",
            "seed": 5,
            "start": "when_listened",
            "part": part,
            "motion": motion,
            "device": [encoder, *gauges],
        }
    )


def serve(ports: str, folder: str) -> None:
    """Be the carriage until ended."""
    with World(scenario_of(ports), ports_dir=Path(folder), speed=1.0):
        print("served", flush=True)
        threading.Event().wait()


@dataclass
class Progress:
    """Progress messages, read in a thread.

    Attributes:
        came: time of arrival, s of the monotonic clock; readings that are placed, those that have no
            place, and the age of the oldest of the probes' newest echoes, s; of each message.
    """

    port: int
    came: list[tuple[float, int, int, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        threading.Thread(target=lambda: asyncio.run(self._run()), daemon=True).start()

    async def _run(self) -> None:
        async with aiomqtt.Client("127.0.0.1", self.port) as client:
            await client.subscribe("swathe/+/progress")
            with contextlib.suppress(aiomqtt.MqttError):
                async for message in client.messages:
                    now = datetime.now(UTC)
                    contents = json.loads(message.payload)
                    echoes = [probe["last_echo"] for probe in contents["probes"]]
                    if message.retain or None in echoes or not echoes:
                        continue
                    oldest = min(datetime.fromisoformat(echo) for echo in echoes)
                    age = (now - oldest).total_seconds()
                    placed, unplaced = contents["readings"], contents["unplaced"]
                    self.came.append((time.monotonic(), placed, unplaced, age))


def world_of(stack: ExitStack, ports: str, folder: Path) -> int:
    """Serve the carriage in a process of its own; return its id."""
    (folder / "ports").mkdir()
    command = [sys.executable, __file__, "--serve", ports, "--folder", str(folder / "ports")]
    world = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    stack.callback(world.communicate)
    stack.callback(world.kill)
    assert world.stdout is not None
    assert world.stdout.readline().strip() == "served"
    return world.pid


def waited(process: int) -> float:
    """Return for how long the threads of a process were ready and had no processor, s."""
    tasks = Path(f"/proc/{process}/task").glob("*/schedstat")
    return sum(int(one.read_text().split()[1]) for one in tasks) / 1e9


@dataclass(frozen=True)
class Window:
    """Some seconds of a process: from when to when, s, and shares of a core.

    Attributes:
        begin, end: s of the monotonic clock.
        share: of the process.
        world: of the world that serves it.
        waits: what the process was ready for and did not get, the machine being busy.
    """

    begin: float
    end: float
    share: float
    world: float
    waits: float


def measured(process: int, world: int, seconds: float) -> Window:
    """Measure two processes over some seconds."""
    begin, used, served, late = (
        time.monotonic(),
        processor(process),
        processor(world),
        waited(process),
    )
    time.sleep(seconds)
    end = time.monotonic()
    passed = end - begin
    return Window(
        begin,
        end,
        (processor(process) - used) / passed,
        (processor(world) - served) / passed,
        (waited(process) - late) / passed,
    )


def run_daemon(folder: Path, ports: str, seconds: float) -> dict[str, float]:
    """Run the daemon on the carriage; return figures."""
    scenario = scenario_of(ports)
    tables = simulated_draft(scenario, PlanWishes(cell="2 mm x 2 mm"), name="many").tables
    text = station_file_text([table for table in tables if table.header != "page"])
    path = folder / "many.toml"
    with ExitStack() as stack:
        world = world_of(stack, ports, folder)
        broker = Broker(folder)
        broker.start()
        stack.callback(broker.stop)
        path.write_text(f'{text}\n[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n')
        progress = Progress(broker.port)
        command = [sys.executable, "-m", "swathe", "run", "--no-picture", str(path)]
        daemon = subprocess.Popen(command, stdout=subprocess.DEVNULL, cwd=folder)
        try:
            wait_for(lambda: bool(progress.came), 120, "progress with an echo of each probe")
            time.sleep(SETTLE_S)
            window = measured(daemon.pid, world, seconds)
            came = progress.came[:]
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(180)
    found = [one for one in came if window.begin < one[0] < window.end]
    (first, placed0, lost0, _), (last, placed1, lost1, _) = found[0], found[-1]
    due = PROBES * RATE_HZ * (last - first)
    ages = [age for *_, age in found]
    return {
        "share": window.share,
        "world_share": window.world,
        "waits": window.waits,
        "placed": (placed1 - placed0) / due,
        "unplaced": (lost1 - lost0) / due,
        "age_p50_s": share_of(ages, 0.5),
        "age_p99_s": share_of(ages, 0.99),
        "age_growth_s": found[-1][3] - found[0][3],
        "messages": len(found) / (window.end - window.begin),
    }


def run_reader(folder: Path, ports: str, seconds: float) -> float:
    """Return the share of a core of a script that only stores the bytes."""
    with ExitStack() as stack:
        world = world_of(stack, ports, folder)
        names = sorted(str(one) for one in (folder / "ports").iterdir())
        script = subprocess.Popen([sys.executable, "-c", STORE_ONLY, str(folder / "bytes"), *names])
        stack.callback(script.wait)
        stack.callback(script.kill)
        time.sleep(SETTLE_S)
        return measured(script.pid, world, seconds).share


def main() -> int:
    """Print the figures; return 1 where the daemon does not keep up."""
    parser = argparse.ArgumentParser(description="Sixteen probes, live.")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--ports", choices=PORTS, action="append")
    parser.add_argument("--serve", choices=PORTS)
    parser.add_argument("--folder", default="")
    options = parser.parse_args()
    if options.serve:
        serve(options.serve, options.folder)
    good, figures = True, {}
    for ports in options.ports or PORTS:
        with TemporaryDirectory() as name:
            found = run_daemon(Path(name), ports, options.seconds)
        with TemporaryDirectory() as name:
            reader = run_reader(Path(name), ports, options.seconds)
        print(f"{ports:7}", {key: round(v, 3) for key, v in found.items()}, flush=True)
        print(f"        daemon to reader {found['share'] / reader:.1f} ({reader:.3f})", flush=True)
        figures[f"{ports}_to_reader"] = found["share"] / reader
        figures[f"{ports}_age_to_limit"] = found["age_p99_s"] / MOST_AGE_S
        good &= found["placed"] + found["unplaced"] > LEAST_PLACED
        good &= found["age_p99_s"] < MOST_AGE_S
    report_figures(**figures)
    print("keeps up" if good else "does NOT keep up")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
