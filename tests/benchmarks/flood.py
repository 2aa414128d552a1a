"""What a device that floods costs: memory, the other device's positions, and how soon the run ends.

A real `swathe run` reads an encoder and a gauge behind pseudo-terminals. After some seconds of 100 readings a
second the gauge sends, as fast as it is taken, valid readings, lines that are none, or a line without an
end. Then the run is ended by SIGTERM. The encoder sends a position each 10 ms throughout; between the first
and the last one that were journalled none may be missing. Their age is from when one was sent until the time
that its chunk has in the journal, and depends on what else the machine does.

Run ``python tests/benchmarks/flood.py``; it prints a table, and ends with exit code 1 if memory grows by more
than 150 MB, a position is lost, or the run does not end within 3 s. Linux only.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import pty
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parent.parent))

from daemon.handmade import line, station_text
from swathe.journal import Chunk, read_journal
from swathe.store import read_survey_record

__all__ = ["main"]

CALM_SECONDS = 5.0
MAX_MB, MAX_END_SECONDS, END_LIMIT_SECONDS = 150.0, 3.0, 60.0
FLOODS = {
    "valid readings": b"".join(line(f"R,{k},4.700,E") for k in range(3000)),
    "lines that are none": b"x\r\n" * 20_000,
    "a line without an end": b"7" * 60_000,
}


class Terminal:
    """A pseudo-terminal, at whose other end a device sends what `pieces` yields."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._over = threading.Event()
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path = os.ttyname(self._theirs)
        self.sent = 0
        self._thread = threading.Thread(target=self._send)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.end()
        os.close(self._ours)
        os.close(self._theirs)

    def end(self) -> None:
        """Send nothing more."""
        self._over.set()
        self._thread.join()

    def _send(self) -> None:
        for piece in self._pieces:
            rest = memoryview(piece)
            while rest and not self._over.is_set():
                try:
                    count = os.write(self._ours, rest)
                except BlockingIOError:
                    time.sleep(0.001)
                    continue
                self.sent += count
                rest = rest[count:]
            if self._over.is_set():
                return


class Positions:
    """The encoder's lines, one each 10 ms, and when each was sent, by its number, ns."""

    def __init__(self) -> None:
        self.sent: list[int] = []

    def pieces(self) -> Iterator[bytes]:
        """Yield them."""
        begun = time.monotonic_ns()
        while True:
            number = len(self.sent)
            self.sent.append(time.monotonic_ns())
            # The device's clock is its number: the line is found again by it.
            yield line(f"P,{10 * number},{number % 150}")
            due = begun + 10_000_000 * len(self.sent)
            time.sleep(max(0.0, (due - time.monotonic_ns()) / 1e9))


def readings(begin: threading.Event, flood: bytes) -> Iterator[bytes]:
    """Yield readings, and from `begin` on the flood."""
    begun = time.monotonic()
    while not begin.wait(0.01):
        yield line(f"R,{round((time.monotonic() - begun) * 1e3)},4.700,E")
    while True:
        yield flood


class Cost(NamedTuple):
    """What a flood cost."""

    taken_mb: float
    calm_mb: float
    peak_mb: float
    positions: int
    lost: int
    age_ms: float
    end_seconds: float
    code: int
    alarms: str


def memory(process: subprocess.Popen[bytes], key: str) -> float:
    """Return a figure of a process's memory, MB."""
    status = Path(f"/proc/{process.pid}/status").read_text().splitlines()
    return next(int(text.split()[1]) for text in status if text.startswith(key)) / 1024


def measure(folder: Path, flood: bytes, seconds: float) -> Cost:
    """Return what a flood of so many seconds costs."""
    begin, positions, station = threading.Event(), Positions(), folder / "bench.toml"
    with Terminal(positions.pieces()) as encoder, Terminal(readings(begin, flood)) as gauge:
        text = station_text().replace('"ports/encoder"', f'"{encoder.path}"')
        station.write_text(text.replace('"ports/gauge"', f'"{gauge.path}"'))
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "swathe", "run", str(station)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        try:
            _until((folder / "bench" / "survey.json").exists, process)
            time.sleep(CALM_SECONDS)
            calm = memory(process, "VmRSS")
            before = gauge.sent
            begin.set()
            time.sleep(seconds)
            taken, peak = gauge.sent - before, memory(process, "VmHWM")
            encoder.end()
            time.sleep(0.5)  # the last position arrives
            ended = time.monotonic()
            process.send_signal(signal.SIGTERM)
            code = process.wait(END_LIMIT_SECONDS)
            took = time.monotonic() - ended
        finally:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            process.wait()
    ages = _ages(folder / "bench" / "journal", positions.sent)
    record = read_survey_record(folder / "bench" / "survey.json")
    alarms = ", ".join(sorted({str(alarm.kind) for alarm in record.alarms}))
    # What was sent last may be under way still, and is not lost.
    lost = max(ages) - min(ages) + 1 - len(ages)
    worst = max(ages.values()) / 1e6
    return Cost(taken / 1e6, calm, peak, len(ages), lost, worst, took, code, alarms)


def _until(condition: Callable[[], bool], process: subprocess.Popen[bytes]) -> None:
    limit = time.monotonic() + 120
    while not condition():
        if process.poll() is not None or time.monotonic() > limit:
            raise RuntimeError(f"swathe ended with code {process.returncode}")
        time.sleep(0.05)


def _ages(journal: Path, sent: list[int]) -> dict[int, int]:
    """Return the age of each position in the journal, by number, ns."""
    ages: dict[int, int] = {}
    rest = b""
    for entry in read_journal(journal):
        if isinstance(entry, Chunk) and entry.port == "encoder":
            *lines, rest = (rest + entry.data).split(b"\n")
            for one in lines:
                parts = one.split(b",")
                if len(parts) == 3 and parts[0].endswith(b"P"):
                    number = int(parts[1]) // 10
                    ages[number] = entry.time - sent[number]
    return ages


def main(arguments: list[str] | None = None) -> int:
    """Print the table; return 1 if a target is missed."""
    parser = argparse.ArgumentParser(description="What a device that floods costs.")
    parser.add_argument("--seconds", type=float, default=15.0, help="of each flood")
    options = parser.parse_args(arguments)
    table = Table(title=f"Floods of {options.seconds:g} s; load {os.getloadavg()[0]:.1f}")
    headings = ("flood", "taken, MB", "RSS calm, MB", "peak, MB", "positions", "lost", "age, ms")
    for heading in (*headings, "end, s", "code", "alarms"):
        table.add_column(heading)
    met = True
    for name, flood in FLOODS.items():
        with tempfile.TemporaryDirectory() as folder:
            cost = measure(Path(folder), flood, options.seconds)
        figures = f"{cost.taken_mb:.1f} {cost.calm_mb:.0f} {cost.peak_mb:.0f} {cost.positions}"
        rest = f"{cost.lost} {cost.age_ms:.0f} {cost.end_seconds:.1f} {cost.code}"
        table.add_row(name, *f"{figures} {rest}".split(), cost.alarms)
        met &= cost.peak_mb - cost.calm_mb <= MAX_MB
        met &= not cost.lost and cost.end_seconds <= MAX_END_SECONDS
    Console(width=140).print(table)
    return int(not met)


if __name__ == "__main__":
    sys.exit(main())
