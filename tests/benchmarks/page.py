"""What the page costs and how quick it is, in Debian's Chromium without a graphics card.

1. From the last byte of a reading at the port to the pixel: a daemon reads a gauge and an encoder
   of 1,000 lines a second each over TCP; the browser looks at the map's pixels once a frame.
2. What 20 viewers cost the daemon, as processor time next to that of the same run without any.
3. A survey of 20 million cells: from the address to the whole picture, and frames while panning.

Run ``python tests/benchmarks/page.py``; it ends with exit code 1 if a target is missed.
"""

from __future__ import annotations

import os
import signal
import socket
import statistics
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.browser import Browser
from support.daemon import wait_for
from support.devices import TcpDevices
from support.page import Events, PlayedSource, ServedPage
from swathe.live import free_port

__all__ = ["main"]

RATE_HZ = 1000
SPEED_MM_S = 100
# Not so long that the page folds it, and cells of some points: the frame lies over the first point of
# the first row.
COLUMNS, ROWS = 450, 150
MEASURE_SECONDS = 8
VIEWERS = 20
MOST_LATENCY_MS, MOST_COST, MOST_FIRST_S, MIN_FPS = 300, 25, 2.0, 30

STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "{length} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 100
[index]
length = "{height} mm"
resolution = "1 mm"
mode = "stepped"
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "socket://127.0.0.1:{encoder}"
protocol.columns = [{{ is = "device_time", unit = "us" }}, {{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "socket://127.0.0.1:{gauge}"
protocol.columns = [{{ is = "device_time", unit = "us" }}, {{ is = "time_of_flight", unit = "us" }}]
[page]
port = {page}
"""


class Devices(TcpDevices):
    """A gauge and an encoder on TCP; the probe goes to and fro along the scan axis."""

    def __init__(self) -> None:
        super().__init__()
        self.first_sent: dict[int, float] = {}
        self.go = threading.Event()

    def speak(self, encoder: socket.socket, gauge: socket.socket) -> None:
        """Send the lines of both at their pace."""
        begun, way, sent = time.perf_counter(), 0.0, 0
        while not self.ended.is_set():
            now = time.perf_counter() - begun
            while sent < now * RATE_HZ:
                stamp = round(sent * 1e6 / RATE_HZ)
                if self.go.is_set():
                    way += SPEED_MM_S / RATE_HZ
                there = way % (2 * (COLUMNS - 1))
                at = min(there, 2 * (COLUMNS - 1) - there)
                encoder.sendall(b"%d,%d\r\n" % (stamp, round(at * 100)))
                gauge.sendall(b"%d,4.7300\r\n" % stamp)
                if self.go.is_set():
                    self.first_sent.setdefault(int(at + 0.5), time.time())
                sent += 1
            time.sleep(0.0005)


class Station:
    """A daemon in a process of its own that reads the devices."""

    def __init__(self, folder: Path, devices: Devices) -> None:
        self.port = free_port()
        path = folder / "station.toml"
        encoder, gauge = devices.ports
        path.write_text(
            STATION.format(
                length=COLUMNS - 1, height=ROWS - 1, encoder=encoder, gauge=gauge, page=self.port
            )
        )
        self.process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "run", "--no-picture", str(path)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.STDOUT,
        )
        wait_for(self._answers, 60, "the page")

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), 1).close()
        except OSError:
            return False
        return True

    def processor_seconds(self) -> float:
        """Return the processor time it has taken so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def close(self) -> None:
        """End it."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(60)


# Looks at the pixel of the next cells once a frame and notes when each has got its colour. The
# probe's ring and trail, which lie over it, are not drawn meanwhile.
WATCH = """
CanvasRenderingContext2D.prototype.stroke = CanvasRenderingContext2D.prototype.fill = () => {};
const canvas = document.getElementById('map');
const context = canvas.getContext('2d');
window.seen = {};
let next = arguments[0];
const look = () => {
  const [left, top, across, down, x, y] = canvas.dataset.view.split(' ').map(Number);
  for (let k = 0; k < 40 && next < arguments[1]; k++) {
    const at = context.getImageData(
      Math.floor((next - left) * across - x), Math.floor((0 - top) * down - y), 1, 1).data;
    if (!(at[0] === 0xb9 && at[1] === 0xd8 && at[2] === 0xe4)) break;
    window.seen[next] = Date.now();
    next++;
  }
  requestAnimationFrame(look);
};
requestAnimationFrame(look);
"""


def settle(browser: Browser, seconds: float = 60) -> None:
    """Wait until the map is drawn."""
    script = "return document.getElementById('map').dataset.settled"
    browser.wait(lambda: browser.run(script) == "true", seconds, "the map")


def latency(browser: Browser, station: Station, devices: Devices) -> list[float]:
    """Return, for each cell, the ms from its first reading's last byte to its pixel."""
    browser.shape(1920, 1080)
    browser.open(f"http://127.0.0.1:{station.port}/")
    settle(browser)
    browser.run("document.querySelector('input[value=coverage]').click()")
    devices.go.set()
    first, last = 30, 30 + SPEED_MM_S * MEASURE_SECONDS
    browser.run(WATCH, first, min(last, COLUMNS - 5))
    time.sleep(MEASURE_SECONDS + 2)
    seen = {int(cell): when for cell, when in browser.run("return window.seen").items()}
    return [when - devices.first_sent[cell] * 1000 for cell, when in seen.items()]


def viewers_cost(station: Station) -> tuple[float, float]:
    """Return the daemon's load in % of a core without viewers, and what the viewers add."""

    def load() -> float:
        begun, used = time.monotonic(), station.processor_seconds()
        time.sleep(MEASURE_SECONDS)
        return (station.processor_seconds() - used) / (time.monotonic() - begun) * 100

    alone = load()
    reader = subprocess.Popen(
        [sys.executable, __file__, "view", str(station.port)], stdout=subprocess.PIPE
    )
    assert reader.stdout is not None
    reader.stdout.readline()
    time.sleep(1)
    together = load()
    reader.terminate()
    reader.communicate()
    return alone, together - alone


def view(port: int) -> None:
    """Be the viewers, until ended."""
    viewers = [Events(port, {}) for _ in range(VIEWERS)]
    threads = [threading.Thread(target=read_all, args=(one,), daemon=True) for one in viewers]
    for thread in threads:
        thread.start()
    print("reading", flush=True)
    threads[0].join()


def read_all(viewer: Events) -> None:
    """Read everything that comes."""
    while viewer.next() is not None:
        pass


# Drags the map by a few points each frame and notes the frames' own times.
PAN = """
const canvas = document.getElementById('map');
const done = arguments[arguments.length - 1];
const box = canvas.getBoundingClientRect();
const fire = (type, x, y) => canvas.dispatchEvent(new PointerEvent(type, {
  pointerId: 1, clientX: box.left + x, clientY: box.top + y, bubbles: true }));
canvas.setPointerCapture = () => {};
let x = box.width / 2, y = box.height / 2;
fire('pointerdown', x, y);
fire('pointermove', x - 20, y);
x -= 20;
const frames = [];
const step = (now) => {
  frames.push(now);
  if (now - frames[0] > 4000) { fire('pointerup', x, y); done(frames); return; }
  const way = Math.floor(frames.length / 80) % 2 ? -1 : 1; // to and fro, short of the edges
  x -= 9 * way; y -= 3 * way;
  fire('pointermove', x, y);
  requestAnimationFrame(step);
};
requestAnimationFrame(step);
"""
FIRST = """
const done = arguments[arguments.length - 1];
const look = () => document.getElementById('map').dataset.settled === 'true'
  ? done(performance.now()) : requestAnimationFrame(look);
look();
"""


def large_survey(browser: Browser) -> tuple[float, float, list[float]]:
    """Return s to the first picture, s to the second, and frames a second of each zoom's pan."""
    source = PlayedSource(4000, 5000)
    rng = np.random.default_rng(1)
    grid = source.grid
    grid.state[:] = rng.choice(np.array([3, 3, 3, 3, 3, 3, 3, 1, 2], np.uint8), grid.state.size)
    grid.touched.add_all()
    grid.hits[:] = grid.state == 3
    grid.thickness[:] = rng.normal(13, 0.4, grid.state.size)
    rates = []
    with ServedPage(source) as served:
        browser.shape(1920, 1080)
        times = []
        for _ in range(2):
            browser.open(served.page.url)
            times.append(browser.run_to_end(FIRST) / 1000)
        for closer in (3, 3, 3):
            for _ in range(closer):
                browser.find("#zoom-in").click()
            settle(browser)
            frames = np.array(browser.run_to_end(PAN))
            rates.append(1000 / float(np.mean(np.diff(frames))))
    return times[0], times[1], rates


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    if sys.argv[1:2] == ["view"]:
        view(int(sys.argv[2]))
        return 0
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="swathe-")))
        browser = stack.enter_context(Browser())
        first, again, rates = large_survey(browser)
        devices = stack.enter_context(Devices())
        station = Station(folder, devices)
        stack.callback(station.close)
        delays = sorted(latency(browser, station, devices))
        browser.open("about:blank")
        alone, cost = viewers_cost(station)
    slow = delays[int(len(delays) * 0.95)]
    fps = min(rates)
    print(f"byte to pixel    median {statistics.median(delays):.0f} ms, 95 % within {slow:.0f} ms "
          f"of {len(delays)} cells (target: {MOST_LATENCY_MS} ms)")  # fmt: skip
    print(f"{VIEWERS} viewers       {cost:.1f} % of a core next to {alone:.1f} % for the scan "
          f"(target: {MOST_COST} %)")  # fmt: skip
    print(f"20 M cells       first picture {first:.2f} s, for the next viewer {again:.2f} s "
          f"(target: {MOST_FIRST_S:g} s)")  # fmt: skip
    shown = ", ".join(f"{rate:.0f}" for rate in rates)
    print(f"pan of 20 M      {shown} frames/s, farther to closer (target: {MIN_FPS})")
    good = slow < MOST_LATENCY_MS and cost < MOST_COST and first < MOST_FIRST_S and fps >= MIN_FPS
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
