"""A-scans at a high rate, to the journal and to compressed arrays: is anything dropped.

A device sends frames with 512 samples of 16 bits over TCP, 10,000 a second by default, and an encoder sends
positions on a pseudo-terminal. Each reading has a cell of its own, whose A-scan is kept: the most that arrays can
be asked for. In the same run a script of a few lines reads the same port and only appends its bytes to a file.

1. Frames sent, journalled and decoded; losses by their running number.
2. How far the journal is behind when the device stops, s; and the newest reading.
3. Processor next to only storing, and per A-scan; sizes of journal and arrays next to the bytes sent.

Run ``python -m tests.benchmarks ascans [-- --rate N --seconds S]``; exit code 1 if a frame is lost.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import pty
import signal
import socket
import subprocess
import sys
import time
import tty
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.live_cost import Usage
from support.daemon import wait_for
from support.figures import report_figures

__all__ = ["main"]

WARM_UP_SECONDS = 6.0
SAMPLES, ENCODER_HZ, SPEED_MM_S, COUNTS_PER_MM = 512, 1_000, 1_000, 100
FRAME = np.dtype(
    [
        ("sync", "u1", 2),
        ("length", ">u2"),
        ("time", ">u4"),
        ("number", ">u2"),
        ("samples", ">i2", SAMPLES),
    ]
)
STATION = """
name = "bench"
[survey]
folder = "survey"
nominal_thickness = "12 mm"
[scan]
length = "{length} mm"
resolution = "{resolution} mm"
device = "encoder"
counts_per_mm = {counts}
[calibration]
velocity = "5920 m/s"
[echo]
time_of_flight = "back wall"
band = {{ centre = "5 MHz" }}
[[echo.gate]]
name = "back wall"
start = "0.6 us"
width = "6 us"
threshold = "30 %"
[device.encoder]
port = "{encoder}"
baud = 4000000
protocol.columns = [{{ is = "device_time", unit = "us" }}, {{ is = "counts", axis = "scan" }}]
[device.instrument]
driver = "frames"
port = "socket://127.0.0.1:{port}"
[device.instrument.protocol]
byte_order = "big"
framing = {{ kind = "length_prefix", sync = [0xA5, 0x5A], adds = 4 }}
fields = [
  {{ is = "length", type = "u2" }},
  {{ is = "device_time", type = "u4", unit = "us", bits = 32 }},
  {{ is = "sequence", type = "u2" }},
  {{ is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 }},
]
[store]
waveforms = true
"""
STORE_ONLY = """
import socket, sys
port = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
with open(sys.argv[2], "ab", buffering=0) as file:
    while data := port.recv(1 << 16):
        file.write(data)
"""


def frames(first: int, count: int, rate: int) -> bytes:
    """Return frames by their running numbers: an echo at 4 µs and noise."""
    numbers = np.arange(first, first + count)
    data = np.zeros(count, FRAME)
    data["sync"], data["length"] = (0xA5, 0x5A), FRAME.itemsize - 4
    data["time"], data["number"] = numbers * 1_000_000 // rate, numbers % 65536
    at = (np.arange(SAMPLES) * 0.02 - 4.0) / 0.3
    noise = np.random.default_rng(first).integers(-300, 300, (count, SAMPLES))
    data["samples"] = 20_000 * np.exp(-(at**2)) * np.cos(2 * np.pi * 5.0 * at * 0.3) + noise
    return data.tobytes()


def send(rate: int, seconds: float) -> None:
    """Be the devices: print the ports, and once the instrument is connected, send for some seconds."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    server = socket.create_server(("127.0.0.1", 0))
    print(os.ttyname(slave), server.getsockname()[1], flush=True)
    made = [
        frames(first, 1000, rate) for first in range(0, 4000, 1000)
    ]  # drawing noise takes longer
    link, _ = server.accept()
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    time.sleep(WARM_UP_SECONDS)  # what a run begins with is no part of this
    begun, sent, positions = time.monotonic(), 0, 0
    while (now := time.monotonic() - begun) < seconds:
        last = int(now * ENCODER_HZ)
        lines = [
            b"%d,%d\r\n"
            % (n * 1_000_000 // ENCODER_HZ, n * SPEED_MM_S * COUNTS_PER_MM // ENCODER_HZ)
            for n in range(positions, last)
        ]
        positions = last
        with contextlib.suppress(BlockingIOError):
            os.write(master, b"".join(lines))
        if count := min(int(now * rate) - sent, 1000):
            data = np.frombuffer(made[sent // 1000 % 4], FRAME)[:count].copy()
            numbers = np.arange(sent, sent + count)
            data["time"], data["number"] = numbers * 1_000_000 // rate, numbers % 65536
            link.sendall(data.tobytes())
            sent += count
        time.sleep(0.005)
    print(sent, time.monotonic() - begun, flush=True)
    time.sleep(600)  # the ports stay


class Sender:
    """The sending process; a context manager."""

    def __init__(self, rate: int, seconds: float) -> None:
        command = [sys.executable, __file__, "--send", str(rate), str(seconds)]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.encoder, port = self._line().split()
        self.port = int(port)

    def _line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def done(self) -> tuple[int, float]:
        """Wait until all is sent; return how many frames, in which time, s."""
        count, took = self._line().split()
        return int(count), float(took)

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.communicate()


def store_only(folder: Path, rate: int, seconds: float) -> float:
    """Return the share of a core that only storing the bytes takes."""
    sender = Sender(rate, seconds)
    (folder / "store_only.py").write_text(STORE_ONLY)
    script, out = str(folder / "store_only.py"), str(folder / "bytes")
    command = [sys.executable, script, str(sender.port), out]
    process = subprocess.Popen(command)
    _, took = sender.done()
    used = Usage.of(process.pid).seconds
    process.kill()
    process.wait()
    sender.close()
    return used / took


def run(folder: Path, rate: int, seconds: float) -> dict[str, float]:
    """Run the daemon on the devices; return figures."""
    sender = Sender(rate, seconds)
    length = round((seconds + 1) * SPEED_MM_S)
    text = STATION.format(
        length=length,
        resolution=SPEED_MM_S / rate,
        counts=COUNTS_PER_MM,
        encoder=sender.encoder,
        port=sender.port,
    )
    (folder / "station.toml").write_text(text)
    command = [sys.executable, "-m", "swathe", "run", "--no-picture", str(folder / "station.toml")]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    journal = folder / "survey/journal"
    try:
        wait_for(lambda: journal.is_dir() and any(journal.glob("*.mcap")), 60, "a journal")
        begin = Usage.of(process.pid)
        sent, took = sender.done()
        ended = time.monotonic()
        end = Usage.of(process.pid)
        sizes: list[int] = []

        def settled() -> bool:
            sizes.append(sum(path.stat().st_size for path in journal.glob("*.mcap")))
            time.sleep(0.2)
            return len(sizes) > 5 and sizes[-1] - sizes[-5] < 20_000  # ticks only

        wait_for(settled, 120, "the end of the journal")
        behind = time.monotonic() - ended - 1.0
        time.sleep(3)
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(300)
        sender.close()
    record = json.loads((folder / "survey/survey.json").read_bytes())
    (port,) = (one for one in record["ports"] if one["device"] == "instrument")
    arrays = sum(
        p.stat().st_size for p in (folder / "survey/survey.zarr").rglob("*") if p.is_file()
    )
    raw = sent * FRAME.itemsize
    return {
        "sent": sent,
        "rate": sent / took,
        "journalled_bytes_lost": raw - port["bytes"],
        "decoded": port["readings"],
        "missing_by_number": port["missing"],
        "faults": sum(port["faults"].values()),
        "stalls": port["stalls"],
        "journal_behind_s": max(0.0, behind),
        "share_of_core": (end.seconds - begin.seconds) / (end.at - begin.at),
        "us_per_ascan": (end.seconds - begin.seconds) / sent * 1e6,
        "journal_size": sizes[-1] / raw,
        "arrays_size": arrays / raw,
        "measured": record["progress"]["measured"],
    }


def main() -> int:
    """Print the figures; return 1 if a frame is lost."""
    parser = argparse.ArgumentParser(description="A-scans at a high rate.")
    parser.add_argument("--rate", type=int, default=10_000)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--send", nargs=2)
    options = parser.parse_args()
    if options.send:
        send(int(options.send[0]), float(options.send[1]))
    with TemporaryDirectory() as name:
        store = store_only(Path(name), options.rate, options.seconds)
    print(f"only storing the bytes: {store * 100:.1f} % of a core")
    with TemporaryDirectory() as name:
        found = run(Path(name), options.rate, options.seconds)
    for key, value in found.items():
        print(f"{key:24} {value:,.3f}")
    lost = found["sent"] - found["decoded"]
    report_figures(
        share_lost=lost / found["sent"],
        behind_to_scan=found["journal_behind_s"] / options.seconds,
        cost_to_storing=found["share_of_core"] / store,
        cores_at_rate=found["us_per_ascan"] * options.rate / 1e6,
        journal_to_raw=found["journal_size"],
        arrays_to_raw=found["arrays_size"],
    )
    print("nothing dropped" if not lost else f"{lost:,.0f} frames LOST")
    return 0 if not lost else 1


if __name__ == "__main__":
    sys.exit(main())
