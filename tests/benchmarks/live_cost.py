"""What a scan costs: the daemon's share of a core, next to that of only storing the same bytes.

A gauge and an encoder send text lines on pseudo-terminals, from a process of their own that sends
before the daemon starts, as devices do: 100 and 1,000 readings a second with an encoder of 100 Hz, and
20,000 with one of 1 kHz. Every fifth cell has no echo. The daemon runs alone, then with Debian's
mosquitto and its page with one viewer. In the same run a script of a few lines reads the same ports
with pyserial and asyncio and appends the bytes to a file: the ratio holds on any machine.

1. Share of a core, of the process and of its loop's thread, and how often its threads woke.
2. First byte: from the start of the process until the journal took the first byte.
3. Byte to MQTT: the age of the newest reading that a progress message counts, when it arrives.
4. Byte to gap: from the reading that shows that the probe has left the cell to the gap's message.

Run ``python tests/benchmarks/live_cost.py [--seconds S] [READINGS_PER_SECOND ...]``; it ends with exit
code 1 if a target is missed.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
import tty
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Self

from mcap.records import Channel, Message
from mcap.stream_reader import StreamReader

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.broker import Broker
from support.daemon import wait_for
from support.figures import report_figures
from support.page import Events
from support.subscriber import Subscriber
from swathe.live import free_port

__all__ = ["main"]

# Readings a second: encoder's rate, greatest share of a core.
RATES = {100: (100, 4.0), 1_000: (100, 6.0), 20_000: (1_000, 15.0)}
MOST_LATENCY_MS, MOST_FIRST_S = 25, 1.0
JUDGED = {20_000}  # rates at which the latency has a target
MOST_GAP_MS = 250
COUNTS_PER_MM, SPEED_MM_S, COLUMNS, EVERY = 100, 20, 4_000, 5
WARM_UP_SECONDS = 4
PORTS = ("port/encoder", "port/gauge")
WHOLE = re.compile(rb"\d+,4\.7300,[EN]")

STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "{length} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = {counts}
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "{encoder}"
baud = 4000000
protocol.columns = [{{ is = "device_time", unit = "us" }}, {{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "{gauge}"
baud = 4000000
protocol.columns = [
  {{ is = "device_time", unit = "us" }},
  {{ is = "time_of_flight", unit = "us" }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
"""
LINKS = """
[broker]
port = {broker}
{interval}
[page]
port = {page}
"""
# Reads ports and appends their bytes to a file: what any program that keeps the bytes has to do.
STORE_ONLY = """
import asyncio, sys, time
import serial

async def store(paths, out):
    loop = asyncio.get_running_loop()
    file = open(out, "ab", buffering=0)

    def readable(port):
        file.write(port.read(65536))

    for path in paths:
        port = serial.Serial(path, 4000000, timeout=0)
        loop.add_reader(port.fileno(), readable, port)
    await asyncio.Event().wait()

asyncio.run(store(sys.argv[2:], sys.argv[1]))
"""


def send(gauge_hz: int, encoder_hz: int, speed: int = SPEED_MM_S, every: int = EVERY) -> None:
    """Be the devices until ended: print the ports and the begin, then send at an even pace."""
    masters = []
    for _ in range(2):
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        masters.append(master)
        print(os.ttyname(slave), flush=True)
    encoder, gauge = masters
    begun = time.monotonic()
    print(begun, flush=True)
    sent = {encoder: 0, gauge: 0}
    pace = 1 / max(min(gauge_hz, 1_000), encoder_hz)
    while True:
        now = time.monotonic() - begun
        for port, rate in ((encoder, encoder_hz), (gauge, gauge_hz)):
            last = int(now * rate)
            lines = [
                line_of(number, rate, speed, every, is_gauge=port == gauge)
                for number in range(sent[port], last)
            ]
            sent[port] = last
            with contextlib.suppress(BlockingIOError):  # nobody reads: a device sends all the same
                os.write(port, b"".join(lines))
        due = (int((time.monotonic() - begun) / pace) + 1) * pace
        time.sleep(max(0.0, begun + due - time.monotonic()))


def line_of(number: int, rate: int, speed: int, every: int, *, is_gauge: bool) -> bytes:
    """Return a record by its number: the probe goes along the scan axis once."""
    stamp, at = round(number * 1e6 / rate), number * speed / rate
    if not is_gauge:
        return b"%d,%d\r\n" % (stamp, round(at * COUNTS_PER_MM))
    # Wider than a cell: no reading at its border, placed by two clocks, falls into it.
    lost = abs(at - round(at / every) * every) < 0.75
    return b"%d,4.7300,%s\r\n" % (stamp, b"N" if lost else b"E")


class Devices:
    """The sending process, and when it sent what; a context manager."""

    def __init__(
        self, gauge_hz: int, encoder_hz: int, *, speed: int = SPEED_MM_S, every: int = EVERY
    ) -> None:
        self.gauge_hz = gauge_hz
        self._process = subprocess.Popen(
            [sys.executable, __file__, "--send", *map(str, (gauge_hz, encoder_hz, speed, every))],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        lines = self._process.stdout
        self.encoder, self.gauge = lines.readline().strip(), lines.readline().strip()
        self.begun = float(lines.readline())

    def sent(self, number: int) -> float:
        """Return when a reading was due at the port, s of the monotonic clock."""
        return self.begun + number / self.gauge_hz

    def left(self, cell: int) -> float:
        """Return when the reading was due that shows that the probe has left a cell."""
        return self.begun + (cell + 1.5) / SPEED_MM_S

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.communicate()


@dataclass(frozen=True)
class Usage:
    """Processor time and wake-ups of a process so far.

    Attributes:
        at: time of the look, s.
        seconds: of all threads.
        loop: of the main thread, which runs the loop.
        wakes: how often its threads went to sleep, and hence woke.
    """

    at: float
    seconds: float
    loop: float
    wakes: int

    @classmethod
    def of(cls, process: int) -> Usage:
        """Return the usage of a process by its id."""
        tasks = Path(f"/proc/{process}/task")
        wakes = 0
        for status in tasks.glob("*/status"):
            try:
                text = status.read_text()
            except OSError:
                continue  # the thread has ended meanwhile
            wakes += int(text.partition("\nvoluntary_ctxt_switches:")[2].split()[0])
        return cls(
            time.monotonic(),
            _processor_seconds(Path(f"/proc/{process}/stat")),
            _processor_seconds(tasks / str(process) / "stat"),
            wakes,
        )


def _processor_seconds(stat: Path) -> float:
    fields = stat.read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Cost:
    """Share of a core in %, of the loop's thread in %, wake-ups a second."""

    share: float
    loop: float
    wakes: float


def measure(process: int, seconds: float) -> Cost:
    """Return what a process costs in the next `seconds`."""
    begin = Usage.of(process)
    time.sleep(seconds)
    end = Usage.of(process)
    passed = end.at - begin.at
    return Cost(
        (end.seconds - begin.seconds) / passed * 100,
        (end.loop - begin.loop) / passed * 100,
        (end.wakes - begin.wakes) / passed,
    )


def store_only(folder: Path, devices: Devices, seconds: float) -> Cost:
    """Return what it costs only to store the bytes."""
    script = folder / "store_only.py"
    script.write_text(STORE_ONLY)
    out = folder / "bytes"
    process = subprocess.Popen(
        [sys.executable, str(script), str(out), devices.encoder, devices.gauge]
    )
    try:
        wait_for(lambda: out.exists() and out.stat().st_size > 0, 20, "the first bytes")
        time.sleep(1)
        return measure(process.pid, seconds)
    finally:
        process.kill()
        process.wait()


@dataclass(frozen=True)
class Entries:
    """What the journal of a run has of the devices.

    Attributes:
        first: wall clock when the first byte was journalled, s.
        numbers: of the readings that came whole, in their order.
    """

    first: float
    numbers: list[int]

    @classmethod
    def of(cls, survey: Path, gauge_hz: int) -> Entries:
        """Return what the journal of a survey has; a port that nobody reads in time loses bytes."""
        first, data = 0.0, []
        path = min((survey / "journal").glob("*.mcap"))
        with path.open("rb") as stream:
            channels: dict[int, str] = {}
            for record in StreamReader(stream).records:
                if isinstance(record, Channel):
                    channels[record.id] = record.topic
                if isinstance(record, Message) and channels[record.channel_id] in PORTS:
                    first = first or record.publish_time / 1e9
                    if channels[record.channel_id] == "port/gauge":
                        data.append(record.data)
        # What comes before the first end of a line is no whole one.
        lines = b"".join(data).split(b"\r\n")[1:-1]
        whole = (line.partition(b",")[0] for line in lines if WHOLE.fullmatch(line))
        return cls(first, [round(int(stamp) * gauge_hz / 1e6) for stamp in whole])


@dataclass(frozen=True)
class Run:
    """What a run of the daemon shows: its cost, s to the first byte, latencies in ms."""

    cost: Cost
    first: float
    progress: list[float]
    gaps: list[float]


def run_daemon(folder: Path, devices: Devices, seconds: float, *, links: bool) -> Run:
    """Run the daemon on the devices' ports, alone or with broker, page and viewer."""
    with ExitStack() as stack:
        text = STATION.format(
            length=COLUMNS - 1,
            counts=COUNTS_PER_MM,
            encoder=devices.encoder,
            gauge=devices.gauge,
        )
        subscriber = None
        page = free_port()
        if links:
            broker = Broker(folder)
            broker.start()
            stack.callback(broker.stop)
            subscriber = Subscriber(broker.port)
            # What the latency is judged for: progress as often as anybody needs it.
            interval = 'progress_interval = "50 ms"' if devices.gauge_hz in JUDGED else ""
            text += LINKS.format(broker=broker.port, page=page, interval=interval)
        path = folder / "station.toml"
        path.write_text(text)
        begun = time.time()
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "run", "--no-picture", str(path)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.STDOUT,
        )
        try:
            journal = folder / "survey" / "journal" / "0001.mcap"
            wait_for(lambda: journal.exists() and journal.stat().st_size > 4000, 60, "bytes")
            if subscriber is not None:
                watch(page)
                wait_for(lambda: len(subscriber.progress) > 3, 60, "progress")
            time.sleep(WARM_UP_SECONDS)
            start = time.monotonic()
            cost = measure(process.pid, seconds)
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(60)
        entries = Entries.of(folder / "survey", devices.gauge_hz)
        progress, gaps = [], []
        if subscriber is not None:
            progress = [
                (came - devices.sent(entries.numbers[count - 1])) * 1e3
                for came, count in subscriber.progress
                if start < came < start + seconds
            ]
            gaps = [
                (came - devices.left(round(end - 0.5))) * 1e3
                for came, end in subscriber.gaps
                if start < came < start + seconds
            ]
        return Run(cost, entries.first - begun, progress, gaps)


def watch(port: int) -> None:
    """Be a viewer of the page, until it closes."""

    def read() -> None:
        viewer = Events(port, {})
        while viewer.next() is not None:
            pass

    threading.Thread(target=read, name="viewer", daemon=True).start()


def share_of(values: list[float], share: float) -> float:
    """Return what this share of the values does not exceed."""
    return sorted(values)[min(int(len(values) * share), len(values) - 1)]


class Verdicts:
    """Prints figures next to their targets and keeps whether all were met."""

    def __init__(self) -> None:
        self.good = True

    def __call__(self, value: float, most: float) -> str:
        """Return the verdict on a value."""
        self.good &= value <= most
        return "met" if value <= most else "MISSED"


def show(name: str, run: Run, store: Cost, most: float, verdict: Verdicts, *, judged: bool) -> None:
    """Print the figures of a run."""
    cost = run.cost
    print(
        f"  {name:22} {cost.share:5.1f} % of a core ({verdict(cost.share, most)}), loop "
        f"{cost.loop:4.1f} %, {cost.wakes:6,.0f} wake-ups/s, {cost.share / store.share:4.1f} x "
        f"storing; first byte {run.first:.2f} s ({verdict(run.first, MOST_FIRST_S)})",
        flush=True,
    )
    for what, delays, limit in (
        ("byte to MQTT", run.progress, MOST_LATENCY_MS if judged else None),
        ("byte to gap", run.gaps, MOST_GAP_MS),
    ):
        if delays:
            slow = share_of(delays, 0.99)
            target = "" if limit is None else f" (target {limit} ms: {verdict(slow, limit)})"
            print(
                f"  {what:22} p50 {share_of(delays, 0.5):5.1f} ms, p99 {slow:5.1f} ms of "
                f"{len(delays):,}{target}",
                flush=True,
            )


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description="What a scan costs.")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--send", nargs=4, type=int)
    parser.add_argument("rates", nargs="*", type=int, default=list(RATES))
    options: Any = parser.parse_args()
    if options.send:
        send(*options.send)
    verdict, ratios = Verdicts(), {}
    print(f"load {os.getloadavg()[0]:.2f} on {os.cpu_count()} cores")
    for rate in options.rates:
        encoder_hz, most = RATES[rate]
        print(f"{rate:,} readings/s, encoder {encoder_hz:,} Hz (target {most:g} %)")
        with TemporaryDirectory(prefix="swathe-") as name, Devices(rate, encoder_hz) as devices:
            store = store_only(Path(name), devices, options.seconds)
        print(
            f"  {'only storing the bytes':22} {store.share:5.1f} %, {store.wakes:6,.0f} wake-ups/s"
        )
        for what, links in (("daemon", False), ("with broker and page", True)):
            with TemporaryDirectory(prefix="swathe-") as name, Devices(rate, encoder_hz) as devices:
                run = run_daemon(Path(name), devices, options.seconds, links=links)
            ratios[f"{rate} a second, {what}, to storing"] = run.cost.share / store.share
            show(what, run, store, most, verdict, judged=rate in JUDGED)
    report_figures(**ratios)
    return 0 if verdict.good else 1


if __name__ == "__main__":
    sys.exit(main())
