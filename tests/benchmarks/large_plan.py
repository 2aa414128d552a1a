"""What a plan of a billion cells costs: memory, processor and stop, next to one of 100,000 cells.

A probe scans the same lines of two plans whose lines have 1,000 cells, of 100 and of 1,000,000 lines: an encoder of
two axes at 500 samples a second and a gauge at 2,000 readings a second send on pseudo-terminals, from a
process of their own, and the daemon has its page with one viewer. Then the large plan is resumed at its
middle and at its last lines, is rebuilt, exported as a picture, and its page is asked for tiles.

1. Resident memory at the end of the scan, processor's share of a core, time from SIGTERM to the end.
2. Bytes that the daemon wrote, without the journal, next to the size of what it left.
3. Of the large plan: seconds and resident memory of resuming, rebuilding and the picture; whether the
   rebuild gives the same arrays.

Run ``python -m tests.benchmarks large_plan [-- --lines 8 --square]``; exit code 1 if a target is missed.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import os
import pty
import resource
import signal
import subprocess
import sys
import time
import tty
import urllib.request
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.live_cost import Usage, watch
from support.daemon import wait_for
from support.figures import report_figures
from swathe.live import free_port

__all__ = ["main"]

COUNTS_PER_MM, COLUMNS, ENCODER_HZ, GAUGE_HZ = 10, 1_000, 500, 2_000
SPEED_MM_S = 250
MOST_RATIO, MOST_STOP_S, MOST_WRITTEN = 1.2, 1.0, 2.0

STATION = """
name = "large"
[survey]
folder = "survey"
[scan]
length = "{scan} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = {counts}
[index]
length = "{index} mm"
resolution = "1 mm"
mode = "encoded"
device = "encoder"
counts_per_mm = {counts}
[calibration]
velocity = "5920 m/s"
[page]
port = {page}
[device.encoder]
port = "{encoder}"
baud = 4000000
protocol.columns = [
  {{ is = "device_time", unit = "us" }},
  {{ is = "counts", axis = "scan" }},
  {{ is = "counts", axis = "index" }},
]
[device.gauge]
port = "{gauge}"
baud = 4000000
protocol.columns = [
  {{ is = "device_time", unit = "us" }},
  {{ is = "time_of_flight", unit = "us" }},
]
"""


def send(first: int, column: int, width: int) -> None:
    """Be the devices until ended: go to and fro over `width` cells from a column on, a line up each time."""
    masters = []
    for _ in range(2):
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        masters.append(master)
        print(os.ttyname(slave), flush=True)
    encoder, gauge = masters
    begun, sent = time.monotonic(), [0, 0]
    while True:
        now = time.monotonic() - begun
        for k, (port, rate) in enumerate(((encoder, ENCODER_HZ), (gauge, GAUGE_HZ))):
            numbers = range(sent[k], int(now * rate))
            sent[k] = numbers.stop
            lines = [
                line_of(number / rate, first, column, width, is_gauge=port == gauge)
                for number in numbers
            ]
            with contextlib.suppress(BlockingIOError):
                os.write(port, b"".join(lines))
        time.sleep(0.005)


def line_of(at: float, first: int, column: int, width: int, *, is_gauge: bool) -> bytes:
    """Return a record of a time in s: 4 s at rest, then along the lines, with a turn of 0.1 s."""
    stamp = round(at * 1e6)
    if is_gauge:
        return b"%d,4.7300\r\n" % stamp
    each = (width - 1) / SPEED_MM_S
    line, within = divmod(max(at - 4.0, 0.0), each + 0.1)
    along = min(within, each) * SPEED_MM_S
    up = max(0.0, within - each) / 0.1
    scan = column + (along if line % 2 == 0 else width - 1 - along)
    counts = (round(scan * COUNTS_PER_MM), round((first + line + up) * COUNTS_PER_MM))
    return b"%d,%d,%d\r\n" % (stamp, *counts)


@dataclass(frozen=True)
class Cost:
    """What a run cost.

    Attributes:
        resident: memory at the end of the scan, MB.
        share: of a core during it, percent.
        ready: seconds until readings counted.
        stop: seconds from SIGTERM to the end.
        written: bytes, without the journal.
        left: bytes of arrays, record and the state kept for resuming.
        measured: cells.
        tiles: of the page, that were served.
    """

    resident: float
    share: float
    ready: float
    stop: float
    written: float
    left: float
    measured: int
    tiles: int


def _status(process: int, name: str) -> float:
    text = Path(f"/proc/{process}/status").read_text()
    return int(text.partition(f"\n{name}:")[2].split()[0]) / 1e3


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def _answers(page: int) -> bool:
    with contextlib.suppress(OSError):
        return _served(page, "")
    return False


def _served(page: int, path: str) -> bool:
    with urllib.request.urlopen(f"http://127.0.0.1:{page}/{path}", timeout=10) as answer:
        return bool(answer.status == 200)


def _tiles(page: int) -> int:
    """Return how many tiles of the highest and the lowest level the page serves of those asked for."""
    served = 0
    for level, row, column in ((0, 0, 0), (0, 1, 1), (3, 0, 0)):
        with contextlib.suppress(OSError):
            served += _served(page, f"tiles/{level}/{row}/{column}")
    return served


def run(folder: Path, size: tuple[int, int], place: tuple[int, int, int], lines: int) -> Cost:
    """Scan some lines of a plan of `size` lines and columns, from a place on; return what it cost."""
    with ExitStack() as stack:
        devices = subprocess.Popen(
            [sys.executable, __file__, "--send", *map(str, place)],
            stdout=subprocess.PIPE,
            text=True,
        )
        stack.callback(devices.communicate)
        stack.callback(devices.kill)
        assert devices.stdout is not None
        encoder, gauge = (devices.stdout.readline().strip() for _ in range(2))
        page = free_port()
        path = folder / "station.toml"
        path.write_text(
            STATION.format(
                scan=size[1] - 1, index=size[0] - 1, counts=COUNTS_PER_MM,
                page=page, encoder=encoder, gauge=gauge,
            )
        )  # fmt: skip
        begun = time.monotonic()
        process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "swathe",
                "run",
                "--no-picture",
                "--changed",
                "other ports",
                str(path),
            ],
            stdout=subprocess.DEVNULL,
            env={**os.environ, "XDG_CACHE_HOME": str(folder / "cache")},
        )
        wait_for(lambda: _answers(page), 60, "the page")
        watch(page)
        ready = time.monotonic() - begun
        seconds = lines * ((place[2] - 1) / SPEED_MM_S + 0.1)
        before = Usage.of(process.pid)
        time.sleep(seconds)
        after = Usage.of(process.pid)
        resident, tiles = _status(process.pid, "VmRSS"), _tiles(page)
        stopping = time.monotonic()
        process.send_signal(signal.SIGTERM)
        while process.poll() is None:
            with contextlib.suppress(OSError, IndexError):
                io = Path(f"/proc/{process.pid}/io").read_text()
                written = int(io.split("wchar:")[1].split()[0])
            time.sleep(0.01)
        stop = time.monotonic() - stopping
        record: Any = json.loads((folder / "survey/survey.json").read_bytes())
        left = (
            sum(_size(folder / part) for part in ("survey/survey.zarr", "cache"))
            + (folder / "survey/survey.json").stat().st_size
        )
        return Cost(
            resident,
            (after.seconds - before.seconds) / (after.at - before.at) * 100,
            ready,
            stop,
            written - _size(folder / "survey/journal"),
            left,
            record["progress"]["measured"],
            tiles,
        )


def offline(folder: Path, *words: str) -> tuple[float, float]:
    """Run a command; return its seconds and its resident memory, MB."""
    begun = time.monotonic()
    done = subprocess.run(
        ["/usr/bin/env", "time", "-f", "%M", sys.executable, "-m", "swathe", *words],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    last = done.stderr.strip().splitlines()[-1:]
    if done.returncode not in (0, 3):  # 3: the coverage does not meet the target
        print(words, done.stdout, done.stderr)
    return time.monotonic() - begun, int(last[0]) / 1e3 if last and last[0].isdigit() else 0.0


def digest(folder: Path) -> str:
    """Return a digest of all chunks of a survey's arrays."""
    found = hashlib.sha256()
    for path in sorted((folder / "survey/survey.zarr").rglob("*")):
        if path.is_file() and path.name != "zarr.json":
            found.update(path.relative_to(folder).as_posix().encode() + path.read_bytes())
    return found.hexdigest()


def main() -> int:
    """Print the figures; return 1 if a target is missed."""
    if sys.argv[1:2] == ["--send"]:
        send(*map(int, sys.argv[2:]))
    parser = argparse.ArgumentParser(description="What a plan of a billion cells costs.")
    parser.add_argument("--lines", type=int, default=8)
    parser.add_argument("--square", action="store_true", help="also 31,623 x 31,623 cells")
    options = parser.parse_args()
    plans = {"100,000": (100, COLUMNS), "1,000,000,000": (1_000_000, COLUMNS)}
    found = {}
    good = True
    for name, size in plans.items():
        with TemporaryDirectory() as folder:
            cost = found[name] = run(Path(folder), size, (0, 0, COLUMNS), options.lines)
            print(name, "cells:", cost, flush=True)
            if size[0] > options.lines * 10:
                good &= more(Path(folder), size, max(options.lines // 3, 2))
    if options.square:
        with TemporaryDirectory() as folder:
            size = (31_623, 31_623)
            print("square:", run(Path(folder), size, (0, 0, 300), options.lines), flush=True)
            good &= more(Path(folder), size, max(options.lines // 3, 2), width=300)
    small, large = found.values()
    figures = {
        "memory_ratio": large.resident / small.resident,
        "processor_ratio": large.share / small.share,
        "stop_to_limit": large.stop / MOST_STOP_S,
        "written_to_left": large.written / large.left,
    }
    print({key: round(value, 2) for key, value in figures.items()})
    report_figures(**figures)
    good &= max(figures["memory_ratio"], figures["processor_ratio"]) <= MOST_RATIO
    good &= figures["stop_to_limit"] <= 1 and figures["written_to_left"] <= MOST_WRITTEN
    return 0 if good else 1


def more(folder: Path, size: tuple[int, int], lines: int, width: int = COLUMNS) -> bool:
    """Resume at the middle and at the end, rebuild, draw; return whether the rebuild is the same."""
    for row, column in ((size[0] // 2, size[1] // 2), (size[0] - lines - 20, size[1])):
        place = (row, max(0, min(column, size[1] - width)), width)
        print("  resumed at", place, run(folder, size, place, lines), flush=True)
    before = digest(folder)
    print("  rebuild: s, MB", offline(folder, "rebuild", "survey"), flush=True)
    same = digest(folder) == before
    print("  the same arrays:", same, flush=True)
    for words in (
        ("export", "survey", "--to", "png", "--out", "map.png"),
        ("gaps", "survey"),
        ("report", "survey"),
    ):
        print(f"  {words[0]}: s, MB", offline(folder, *words), flush=True)
    return same


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    sys.exit(main())
