"""Twenty stations at one broker on one machine: does anything fall behind.

Each station is a daemon of its own with a gauge of 1,000 readings a second and an encoder of 100 Hz on
pseudo-terminals, which one process feeds. All publish to one mosquitto; a subscriber reads all progress. In
the same run one station is measured alone: ratios hold on any machine.

1. Lag: how much older the newest reading that a progress message counts is, as it arrives, than at best; p50,
   p99, and how much it grows from the first to the last quarter. What a port lost before it was read is in each alike; what
   it loses later counts as lag.
2. Progress messages that came, of those due (four a second), and the longest wait of any station.
3. Processor: of a station, of the broker, and what the machine was busy with besides.

Run ``python -m tests.benchmarks stations [-- --stations N --seconds S]``; exit code 1 with a backlog.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import pty
import signal
import subprocess
import sys
import threading
import time
import tty
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import aiomqtt

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.live_cost import COUNTS_PER_MM, SPEED_MM_S, STATION, line_of, share_of
from support.broker import Broker
from support.daemon import wait_for
from support.figures import report_figures

__all__ = ["main"]

GAUGE_HZ, ENCODER_HZ, EVERY = 1_000, 100, 1_000_000
PROGRESS_A_SECOND = 4
MOST_LAG_S, MOST_GROWTH_S = 1.0, 0.25


def send(count: int) -> None:
    """Be the devices of all stations until ended: print the ports, then send."""
    ports = []
    for _ in range(2 * count):
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        ports.append(master)
        print(os.ttyname(slave), flush=True)
    begun = time.monotonic()
    sent = dict.fromkeys((True, False), 0)
    while True:
        now = time.monotonic() - begun
        for is_gauge, rate in ((False, ENCODER_HZ), (True, GAUGE_HZ)):
            last = int(now * rate)
            numbers = range(sent[is_gauge], last)
            data = b"".join(
                line_of(number, rate, SPEED_MM_S, EVERY, is_gauge=is_gauge) for number in numbers
            )
            sent[is_gauge] = last
            for port in ports[is_gauge::2]:
                with contextlib.suppress(BlockingIOError):
                    os.write(port, data)
        time.sleep(0.01)


@dataclass
class Seen:
    """What came of one station: times of progress messages, and readings that they count."""

    came: list[tuple[float, int]] = field(default_factory=list)


class AllProgress:
    """Reads the progress of all stations of a broker, in a thread."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.stations: dict[str, Seen] = {}
        run = threading.Thread(target=lambda: asyncio.run(self._run()), daemon=True)
        run.start()

    async def _run(self) -> None:
        async with aiomqtt.Client(
            "127.0.0.1", self._port, max_queued_incoming_messages=0
        ) as client:
            await client.subscribe("swathe/+/progress")
            with contextlib.suppress(aiomqtt.MqttError):
                async for message in client.messages:
                    if message.retain:
                        continue
                    contents = json.loads(message.payload)
                    count = contents["readings"] + contents["unplaced"]
                    seen = self.stations.setdefault(contents["station"], Seen())
                    seen.came.append((time.monotonic(), count))


def processor(process: int) -> float:
    """Return the processor time of a process, s."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def machine() -> float:
    """Return the time for which the machine's cores were busy, s."""
    fields = [int(one) for one in Path("/proc/stat").read_text().split("\n")[0].split()[1:]]
    return (sum(fields) - fields[3] - fields[4]) / os.sysconf("SC_CLK_TCK")


def run(folder: Path, count: int, seconds: float) -> dict[str, float]:
    """Run so many stations for some seconds; return figures."""
    with ExitStack() as stack:
        devices = subprocess.Popen(
            [sys.executable, __file__, "--send", str(count)], stdout=subprocess.PIPE, text=True
        )
        stack.callback(devices.communicate)
        stack.callback(devices.kill)
        assert devices.stdout is not None
        ports = [devices.stdout.readline().strip() for _ in range(2 * count)]
        broker = Broker(folder)
        broker.start()
        stack.callback(broker.stop)
        progress = AllProgress(broker.port)
        daemons = []
        for number in range(count):
            own = folder / f"s{number}"
            own.mkdir()
            text = STATION.format(
                length=round((seconds + 300) * SPEED_MM_S),
                counts=COUNTS_PER_MM,
                encoder=ports[2 * number],
                gauge=ports[2 * number + 1],
            ).replace('name = "bench"', f'name = "s{number}"', 1)
            (own / "station.toml").write_text(f"{text}\n[broker]\nport = {broker.port}\n")
            command = [sys.executable, "-m", "swathe", "run", "--no-picture"]
            daemons.append(
                subprocess.Popen([*command, str(own / "station.toml")], stdout=subprocess.DEVNULL)
            )
        try:
            wait_for(lambda: len(progress.stations) == count, 300, "progress of every station")
            time.sleep(5)  # they were started all at once: let that pass
            pids = [one.pid for one in daemons]
            at, used, busy = time.monotonic(), sum(map(processor, pids)), machine()
            server, devised = processor(broker.pid), processor(devices.pid)
            time.sleep(seconds)
            after = time.monotonic()
            used, server = sum(map(processor, pids)) - used, processor(broker.pid) - server
            busy = machine() - busy - used - server - (processor(devices.pid) - devised)
        finally:
            for one in daemons:
                one.send_signal(signal.SIGTERM)
            for one in daemons:
                one.wait(120)
    ages: list[float] = []
    early: list[float] = []
    late: list[float] = []
    waits, messages = [], 0
    for seen in progress.stations.values():
        found = [(came, n) for came, n in seen.came if at < came < after]
        messages += len(found)
        times = [at, *(came for came, _ in found), after]
        waits.append(max(b - a for a, b in pairwise(times)))
        least = min(came - n / GAUGE_HZ for came, n in found)
        for came, n in found:
            age = came - n / GAUGE_HZ - least
            ages.append(age)
            (
                early if came < at + seconds / 4 else late if came > after - seconds / 4 else []
            ).append(age)
    passed = after - at
    return {
        "lag_p50_s": share_of(ages, 0.5),
        "lag_p99_s": share_of(ages, 0.99),
        "lag_growth_s": share_of(late, 0.5) - share_of(early, 0.5),
        "progress_came": messages / (count * PROGRESS_A_SECOND * passed),
        "longest_wait_s": max(waits),
        "station_share": used / passed / count,
        "broker_share": server / passed,
        "others_share": busy / passed,
    }


def main() -> int:
    """Print the figures; return 1 if something falls behind."""
    parser = argparse.ArgumentParser(description="Many stations at one broker.")
    parser.add_argument("--stations", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--send", type=int)
    options = parser.parse_args()
    if options.send:
        send(options.send)
    found = {}
    for count in (1, options.stations):
        with TemporaryDirectory() as name:
            found[count] = run(Path(name), count, options.seconds)
        print(
            f"{count:3} stations", {key: round(v, 3) for key, v in found[count].items()}, flush=True
        )
    one, many = found[1], found[options.stations]
    report_figures(
        lag_p99_to_limit=many["lag_p99_s"] / MOST_LAG_S,
        lag_growth_to_limit=max(0.0, many["lag_growth_s"]) / MOST_GROWTH_S,
        progress_missing=1 - many["progress_came"],
        station_share_to_one=many["station_share"] / one["station_share"],
        broker_share_to_stations=many["broker_share"] / (many["station_share"] * options.stations),
    )
    good = many["lag_p99_s"] < MOST_LAG_S and many["lag_growth_s"] < MOST_GROWTH_S
    print("no backlog" if good else "a BACKLOG")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
