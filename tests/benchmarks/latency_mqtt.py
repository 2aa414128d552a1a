"""From the last byte of a reading at the port to an MQTT subscriber, at 1,000 readings a second.

A daemon reads a gauge and an encoder of 1,000 lines a second each over TCP; every fifth cell has no
echo. A subscriber on Debian's mosquitto notes when the messages come, and each is set beside the
time at which the line that brought it about was sent:

1. a gap: the line of the reading that shows that the probe has left the cell;
2. progress: the line of the newest reading that it tells of (how old what is shown is);
3. progress again: of every reading, until some progress tells of it, the interval included.

Run ``python tests/benchmarks/latency_mqtt.py``; it ends with exit code 1 if a target is missed for 95
of 100: 250 ms for gaps, which change at instants 50 ms apart (`swathe.live.pace`), 50 ms for progress.
"""

from __future__ import annotations

import os
import signal
import socket
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.broker import Broker
from support.daemon import wait_for
from support.devices import TcpDevices
from support.subscriber import Subscriber

__all__ = ["main"]

RATE_HZ = 1000
SPEED_MM_S = 100
COLUMNS = 4000
EVERY = 5
MEASURE_SECONDS = 20
MOST_GAP_MS, MOST_PROGRESS_MS = 250, 50

STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "{length} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 100
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "socket://127.0.0.1:{encoder}"
protocol.columns = [{{ is = "device_time", unit = "us" }}, {{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "socket://127.0.0.1:{gauge}"
protocol.columns = [
  {{ is = "device_time", unit = "us" }},
  {{ is = "time_of_flight", unit = "us" }},
  {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
[broker]
port = {broker}
progress_interval = "50 ms"
"""


class Devices(TcpDevices):
    """A gauge and an encoder on TCP; the probe goes along the scan axis once."""

    def __init__(self) -> None:
        super().__init__()
        self.sent: list[float] = []
        self.entered: dict[int, float] = {}

    def speak(self, encoder: socket.socket, gauge: socket.socket) -> None:
        """Send the lines of both at their pace."""
        begun = time.perf_counter()
        while not self.ended.is_set():
            now = time.perf_counter() - begun
            while len(self.sent) < now * RATE_HZ:
                number = len(self.sent)
                stamp = round(number * 1e6 / RATE_HZ)
                at = number * SPEED_MM_S / RATE_HZ
                cell = int(at + 0.5)
                encoder.sendall(b"%d,%d\r\n" % (stamp, round(at * 100)))
                echo = b"N" if cell % EVERY == 0 else b"E"
                gauge.sendall(b"%d,4.7300,%s\r\n" % (stamp, echo))
                sent = time.monotonic()
                self.sent.append(sent)
                self.entered.setdefault(cell, sent)
            time.sleep(0.0003)


def processor_seconds(process: int) -> float:
    """Return the processor time a process has taken so far."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def slowest(delays: list[float]) -> float:
    """Return what 95 of 100 do not exceed."""
    return sorted(delays)[int(len(delays) * 0.95)]


def tell(name: str, delays: list[float], target_ms: int | None = None) -> bool:
    """Print the figures of one kind; return whether it meets its target, if there is one."""
    slow = slowest(delays)
    met = target_ms is None or slow < target_ms
    target = "not judged"
    if target_ms is not None:
        target = f"target {target_ms} ms: {'met' if met else 'MISSED'}"
    print(
        f"{name:32} median {statistics.median(delays):5.1f} ms, 95 % within {slow:5.1f} ms, "
        f"longest {max(delays):6.1f} ms, of {len(delays):,} ({target})"
    )
    return met


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="swathe-")))
        broker = Broker(folder)
        broker.start()
        stack.callback(broker.stop)
        heard = Subscriber(broker.port)
        devices = stack.enter_context(Devices())
        path = folder / "station.toml"
        path.write_text(
            STATION.format(
                length=COLUMNS - 1,
                encoder=devices.ports[0],
                gauge=devices.ports[1],
                broker=broker.port,
            )
        )
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "run", "--no-picture", str(path)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.STDOUT,
        )
        try:
            wait_for(lambda: len(heard.gaps) > 3, 60, "gaps")
            first, used, begun = len(heard.gaps), processor_seconds(process.pid), time.monotonic()
            start = len(heard.progress)
            time.sleep(MEASURE_SECONDS)
            used = (processor_seconds(process.pid) - used) / (time.monotonic() - begun) * 100
            gaps, progress = heard.gaps[first:], heard.progress[start:]
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(60)
        # A gap opens when the probe is more than a cell away: with the next cell but one.
        by_gap = [(came - devices.entered[round(end + 0.5) + 1]) * 1e3 for came, end in gaps]
        by_age = [(came - devices.sent[count - 1]) * 1e3 for came, count in progress]
        by_wait = [
            (came - devices.sent[number]) * 1e3
            for (_, before), (came, count) in pairwise(progress)
            for number in range(before, count)
        ]
    good = tell("reading to gap", by_gap, MOST_GAP_MS)
    good &= tell("newest reading in a progress", by_age, MOST_PROGRESS_MS)
    tell("any reading until progress", by_wait)
    print(f"the daemon took {used:.0f} % of a core; progress every 50 ms at most")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
