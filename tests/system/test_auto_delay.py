"""A delay that the survey measures itself, on real pseudo-terminals: placed again while it runs."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import math
import os
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.handmade import INDEX_ENCODED, VELOCITY, line, station_text
from support.daemon import swathe
from swathe.journal import Mark, MarkKind, read_journal
from swathe.live import Daemon
from swathe.messages import StateMessage, Topics
from swathe.station import parse_station
from swathe.store import SurveyFolder

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals"),
]

LENGTH, LINES, SPEED = 120, 15, 0.3  # mm, lines 1 mm apart, mm/ms
DELAY = 47
PORT = 'port = "ports/gauge"'
TEXT = station_text(
    scan_length=LENGTH, index=INDEX_ENCODED.format(length=LINES - 1), survey="target_coverage = 95"
).replace(PORT, f'{PORT}\ndelay = "auto"')


def where(ms: float) -> tuple[float, float]:
    """Return the position on the way out and back, a line further each time; at rest at the end."""
    row, along = divmod(ms * SPEED, LENGTH)
    if row >= LINES:
        return (LENGTH if LINES % 2 else 0.0), float(LINES - 1)
    return (along if row % 2 == 0 else LENGTH - along), row


def wall(scan: float, index: float) -> float:
    """Return a wall with corrosion, in mm."""
    return 12 + math.sin(scan / 3) + 0.7 * math.sin(scan / 7.3) + 0.02 * index


class Devices:
    """Encoder and gauge in real time; the gauge's lines are late by `DELAY`."""

    def __init__(self, folder: Path) -> None:
        (folder / "ports").mkdir()
        self._ends: dict[str, int] = {}
        self._others: list[int] = []
        for name in ("encoder", "gauge"):
            end, other = os.openpty()
            tty.setraw(other)
            os.set_blocking(end, False)
            (folder / "ports" / name).symlink_to(os.ttyname(other))
            self._ends[name] = end
            self._others.append(other)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._play, name="devices")

    def start(self) -> None:
        """Begin to move."""
        self._thread.start()

    def _play(self) -> None:
        begun, ms = time.monotonic(), 0
        while not self._over.wait(max(begun + ms / 1000 - time.monotonic(), 0)):
            scan, index = where(ms)
            at = f"{round(10 * scan)},{round(10 * index)}"
            echo = 2 * wall(*where(max(ms - DELAY, 0))) / VELOCITY
            with contextlib.suppress(BlockingIOError):  # nobody reads before and after the run
                os.write(self._ends["encoder"], line(f"P,{ms},{at}"))
                os.write(self._ends["gauge"], line(f"R,{ms},{echo:.6f},E"))
            ms += 3

    def close(self) -> None:
        """End them."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()
        for end in (*self._ends.values(), *self._others):
            os.close(end)


@pytest.fixture
def devices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Devices]:
    """Return the devices, with the test's folder as the working directory."""
    monkeypatch.chdir(tmp_path)
    made = Devices(tmp_path)
    yield made
    made.close()


def digests(folder: SurveyFolder) -> dict[str, str]:
    """Return the digest of each derived file."""
    paths = [folder.record, *(path for path in folder.zarr.rglob("*") if path.is_file())]
    return {
        str(path.relative_to(folder.path)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in paths
    }


async def test_run_is_placed_again_with_the_delay_it_measured(
    tmp_path: Path, devices: Devices
) -> None:
    """While the ports stay open; and the files are those of a rebuild, byte for byte."""
    folder = SurveyFolder(tmp_path / "survey")
    daemon = Daemon(parse_station(TEXT, "bench.toml"), TEXT, folder)
    states: list[tuple[str, str]] = []
    topics = Topics("bench")

    def note(topic: str, _: bytes) -> None:
        message = daemon.mirror.messages.get(topic)  # None of a gap that is listed no more
        if isinstance(message, StateMessage):
            states.append((message.state, message.reason))

    daemon.mirror.watch(note)
    running = asyncio.create_task(daemon.run())
    async with asyncio.timeout(60):
        while topics.progress not in daemon.mirror:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        devices.start()
        before = daemon.pipeline
        outcome = await running
    assert outcome.reason == "the target of 95 % is reached", outcome
    assert daemon.pipeline is not before
    measured = [
        mark.detail
        for mark in read_journal(folder.journal)
        if isinstance(mark, Mark) and mark.kind is MarkKind.DELAY
    ]
    assert measured
    assert measured[-1]["delay_ns"] / 1e6 == pytest.approx(DELAY, abs=0.6)
    assert outcome.record.delays_ms["gauge"] == measured[-1]["delay_ns"] / 1e6
    assert any(reason.startswith("placing again with a delay of 4") for _, reason in states)
    replaced = [k for k, (state, _) in enumerate(states) if state == "resuming"]
    assert replaced
    assert states[replaced[-1]][1].startswith("placed again with a delay of 4")
    assert states[replaced[-1] + 1][0] == "scanning"
    assert outcome.status == "complete"
    live = digests(folder)
    assert len(live) > 10
    swathe("rebuild", folder.path, "--no-picture", check=True)
    assert digests(folder) == live
