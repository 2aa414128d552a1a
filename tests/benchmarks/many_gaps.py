"""What thousands of open gaps cost: processor, progress on time, bytes to who comes late.

A gauge at 10,000 readings a second moves along one line at 1.5 m/s and has no echo in every third cell: 500
gaps open in a second. In the same run the same devices move along a line whose every cell is measured: the
difference is what the gaps cost. The daemon has Debian's mosquitto and its page with one viewer.

1. Share of a core while the gaps open, next to that without gaps; the ratio holds on any machine.
2. Longest and mean interval between two progress messages at the broker; how many were due and came.
3. With all of them open: bytes to who subscribes late, and to a late viewer of the page.

Run ``python -m tests.benchmarks many_gaps [--gaps N]``; exit code 1 if a target is missed.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import aiomqtt

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.live_cost import COUNTS_PER_MM, LINKS, STATION, Devices, Usage, watch
from support.broker import Broker
from support.daemon import wait_for
from support.figures import report_figures
from support.page import Events
from support.subscriber import Subscriber
from swathe.live import free_port
from swathe.station import BrokerSettings

__all__ = ["main"]

SPEED_MM_S, EVERY, NEVER = 1_500, 3, 10_000_000
GAUGE_HZ, ENCODER_HZ = 10_000, 500
MOST_EXTRA_SHARE, MOST_LATE_KB, MOST_PROGRESS_S = 15.0, 200.0, 1.0
LATE_SECONDS = 3.0
LATE_VIEWER_SECONDS = 1.0


async def late_bytes(port: int) -> int:
    """Return how many bytes of payloads somebody gets who subscribes now, in some seconds."""
    total = 0
    async with aiomqtt.Client("127.0.0.1", port, max_queued_incoming_messages=0) as client:
        await client.subscribe("swathe/#")
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LATE_SECONDS):
                async for message in client.messages:
                    if message.retain:
                        total += len(message.payload)
    return total


def late_viewer(port: int) -> tuple[int, int]:
    """Return bytes of events and open gaps that a late viewer gets at first."""
    viewer = Events(port, {})
    total, gaps, end = 0, 0, time.monotonic() + LATE_VIEWER_SECONDS
    while time.monotonic() < end and (found := viewer.next()) is not None:
        name, data = found
        if name not in ("plan", "messages"):  # not the cells that change meanwhile
            continue
        total += len(json.dumps(data, separators=(",", ":")))
        if name == "messages":
            gaps += sum(topic.startswith("gap/") for topic, _ in data)
            if gaps >= BrokerSettings().gaps:
                break  # what comes after these are changes, as everybody gets them
    return total, gaps


def run(folder: Path, every: int, seconds: float) -> dict[str, float]:
    """Run the daemon while the probe moves for some seconds; return figures."""
    with ExitStack() as stack:
        devices = stack.enter_context(Devices(GAUGE_HZ, ENCODER_HZ, speed=SPEED_MM_S, every=every))
        broker = Broker(folder)
        broker.start()
        stack.callback(broker.stop)
        page = free_port()
        length = round((seconds + 60) * SPEED_MM_S)
        text = STATION.format(
            length=length, counts=COUNTS_PER_MM, encoder=devices.encoder, gauge=devices.gauge
        ) + LINKS.format(broker=broker.port, page=page, interval="")
        path = folder / "station.toml"
        path.write_text(text)
        subscriber = Subscriber(broker.port)
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "run", "--no-picture", str(path)],
            stdout=subprocess.DEVNULL,
        )
        try:
            wait_for(lambda: len(subscriber.progress) > 1, 60, "progress")
            watch(page)
            begin, at = Usage.of(process.pid), time.monotonic()
            time.sleep(seconds)
            end, after = Usage.of(process.pid), time.monotonic()
            times = [at, *(came for came, _ in subscriber.progress if at < came < after), after]
            waits = [later - earlier for earlier, later in pairwise(times)]
            figures = {
                "share_of_core": (end.seconds - begin.seconds) / (end.at - begin.at) * 100,
                "progress_messages": len(times) - 2,
                "progress_longest_s": max(waits),
                "late_subscriber_kb": asyncio.run(late_bytes(broker.port)) / 1e3,
            }
            size, listed = late_viewer(page)
            figures |= {"late_viewer_kb": size / 1e3, "late_viewer_gaps": listed}
        finally:
            process.send_signal(signal.SIGTERM)
            stopping = time.monotonic()
            process.wait(120)
        record: Any = json.loads((folder / "survey/survey.json").read_bytes())
        figures["open_gaps"] = record["progress"]["open_gaps"]
        figures["stop_s"] = time.monotonic() - stopping
    return figures


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description="What thousands of open gaps cost.")
    parser.add_argument("--gaps", type=int, default=20_000)
    options = parser.parse_args()
    seconds = options.gaps * EVERY / SPEED_MM_S
    found = {}
    for name, every in (("without gaps", NEVER), ("with gaps", EVERY)):
        with TemporaryDirectory() as folder:
            found[name] = run(Path(folder), every, seconds)
        print(name, {key: round(value, 2) for key, value in found[name].items()}, flush=True)
    gaps, none = found["with gaps"], found["without gaps"]
    figures = {
        "extra_share_of_core": gaps["share_of_core"] - none["share_of_core"],
        "cost_ratio": gaps["share_of_core"] / none["share_of_core"],
        "progress_ratio": gaps["progress_messages"] / none["progress_messages"],
        "progress_longest_s": gaps["progress_longest_s"],
        # On a busy machine each waits for a processor: what the gaps add shows next to a run without.
        "progress_longest_to_none": gaps["progress_longest_s"] / none["progress_longest_s"],
        "late_subscriber_kb": gaps["late_subscriber_kb"],
        "late_viewer_kb": gaps["late_viewer_kb"],
    }
    good = (
        figures["extra_share_of_core"] <= MOST_EXTRA_SHARE
        and figures["progress_longest_s"] <= MOST_PROGRESS_S
        and max(figures["late_subscriber_kb"], figures["late_viewer_kb"]) <= MOST_LATE_KB
    )
    print({key: round(value, 2) for key, value in figures.items()})
    report_figures(
        cost_to_none=figures["cost_ratio"],
        extra_share_to_limit=figures["extra_share_of_core"] / MOST_EXTRA_SHARE,
        progress_missing=max(0.0, 1 - figures["progress_ratio"]),
        progress_wait_to_none=figures["progress_longest_to_none"],
        progress_wait_to_limit=figures["progress_longest_s"] / MOST_PROGRESS_S,
        late_subscriber_to_limit=figures["late_subscriber_kb"] / MOST_LATE_KB,
        late_viewer_to_limit=figures["late_viewer_kb"] / MOST_LATE_KB,
    )
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
