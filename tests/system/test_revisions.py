"""Readings that are discarded, moved and restored on real pseudo-terminals, while the run lasts."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.handmade import INDEX_STEPPED, VELOCITY, line, station_text
from support.daemon import swathe
from swathe.live import Daemon
from swathe.live.origin import Origin
from swathe.messages import (
    CommandMessage,
    RevisionsMessage,
    RevisionSnapshot,
    StretchSnapshot,
    Topics,
)
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import LAYERS, SurveyFolder

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals"),
]

LENGTH, SPEED = 40, 0.1  # mm, mm/ms
TEXT = station_text(
    scan_length=LENGTH, index=INDEX_STEPPED.format(length=3, advance="command")
).replace('port = "ports/gauge"', 'port = "ports/gauge"\ndelay = "0 ms"')
TOPICS = Topics("bench")


class Hand:
    """A probe that goes where it is sent, in real time, with its encoder and its gauge."""

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
        self.wall = 10.0
        self.target = self.scan = 0.0
        self.silent = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._play, name="hand")
        self._thread.start()

    async def move(self, target: float) -> None:
        """Send the probe somewhere, and wait until it is there."""
        self.target = target
        await until(lambda: self.scan == target)

    def _play(self) -> None:
        begun, ms = time.monotonic(), 0
        while not self._over.wait(max(begun + ms / 1000 - time.monotonic(), 0)):
            step = max(min(self.target - self.scan, 3 * SPEED), -3 * SPEED)
            self.scan = (
                self.target if abs(self.target - self.scan) <= 3 * SPEED else self.scan + step
            )
            with contextlib.suppress(BlockingIOError):  # nobody reads before and after the run
                if not self.silent:
                    os.write(self._ends["encoder"], line(f"P,{ms},{round(10 * self.scan)}"))
                    echo = 2 * self.wall / VELOCITY
                    os.write(self._ends["gauge"], line(f"R,{ms},{echo:.6f},E"))
            ms += 3

    def close(self) -> None:
        """End it."""
        self._over.set()
        self._thread.join()
        for end in (*self._ends.values(), *self._others):
            os.close(end)


@pytest.fixture
def hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Hand]:
    """Return the hand, with the test's folder as the working directory."""
    monkeypatch.chdir(tmp_path)
    made = Hand(tmp_path)
    yield made
    made.close()


async def until(holds: Callable[[], bool]) -> None:
    """Wait for a condition."""
    async with asyncio.timeout(60):
        while not holds():  # noqa: ASYNC110  the run tells it
            await asyncio.sleep(0.01)


async def after(daemon: Daemon, seconds: float) -> None:
    """Wait until so much of the journal's time has passed."""
    end = daemon.pipeline.time + round(seconds * 1e9)
    await until(lambda: daemon.pipeline.time > end)


def layers(pipeline: Pipeline) -> dict[str, bytes]:
    """Return every layer, bit for bit."""
    rows, columns = (slice(0, size) for size in pipeline.grid.shape)
    return {name: pipeline.grid.layer(name, rows, columns).tobytes() for name in LAYERS}


def digests(folder: SurveyFolder) -> dict[str, str]:
    """Return the digest of each derived file."""
    paths = [folder.record, *(path for path in folder.zarr.rglob("*") if path.is_file())]
    return {
        str(path.relative_to(folder.path)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in paths
    }


def say(daemon: Daemon, **command: object) -> str:
    """Give a command and return the answer, which accepts it."""
    message = CommandMessage.model_validate({"by": "A. Kern", **command})
    reply = daemon.commands.execute(message, Origin.MQTT)
    assert reply.accepted, reply.detail
    return reply.detail


def published(daemon: Daemon) -> list[RevisionSnapshot]:
    """Return the revisions as they are published."""
    message = daemon.mirror.messages[TOPICS.revisions]
    assert isinstance(message, RevisionsMessage)
    return list(message.revisions)


async def test_step_that_was_forgotten_is_undone_and_put_right(tmp_path: Path, hand: Hand) -> None:
    """The pass over line 1 was read as line 0: it is discarded, restored, and moved to its line."""
    folder = SurveyFolder(tmp_path / "survey")
    daemon = Daemon(parse_station(TEXT, "bench.toml"), TEXT, folder)
    running = asyncio.create_task(daemon.run())
    await until(lambda: TOPICS.progress in daemon.mirror)
    await until(lambda: daemon.pipeline.position[0] is not None)
    await hand.move(LENGTH)
    await until(lambda: daemon.pipeline.coverage.measured_in_row(0) == LENGTH + 1)
    say(daemon, command="note", id="a", text="end of line 0")
    await after(daemon, 0.2)
    hand.wall = 4.2  # line 1 has a pit, and the step is forgotten
    await hand.move(0.0)
    hand.silent = True
    await until(lambda: daemon.pipeline.minimum.value == pytest.approx(4.2, abs=0.01))
    await after(daemon, 2.0)  # by then every reading is placed, or given up
    read, slip = daemon.pipeline.readings, layers(daemon.pipeline)

    stretch = StretchSnapshot(begin="end of line 0", line=0)
    answer = say(daemon, command="discard", id="b", stretch=stretch, text="step forgotten")
    assert answer.startswith("revision 1 discards: line 0, since ")
    await until(lambda: [one.readings is None for one in published(daemon)] == [False])
    (one,) = published(daemon)
    assert one.readings is not None
    assert one.readings > 100
    assert daemon.pipeline.readings == read - one.readings
    assert daemon.pipeline.minimum.value == pytest.approx(10.0, abs=0.01)
    assert daemon.pipeline.coverage.measured_in_row(0) == LENGTH + 1
    assert layers(daemon.pipeline) != slip

    say(daemon, command="restore", id="c", revision=1, text="to compare")
    await until(lambda: published(daemon)[0].readings == 0)
    assert layers(daemon.pipeline) == slip

    say(daemon, command="move", id="d", stretch=stretch, line=1, text="step forgotten")
    await until(lambda: [one.readings is None for one in published(daemon)] == [False, False])
    assert daemon.pipeline.line == 1
    assert published(daemon)[1].readings == one.readings
    rows = [daemon.pipeline.line_snapshot(row) for row in (0, 1)]
    assert [row.minimum for row in rows] == pytest.approx([10.0, 4.2], abs=0.01)
    assert rows[1].measured >= LENGTH - 2

    hand.silent, hand.wall = False, 10.0
    say(daemon, command="next line", id="e")
    await hand.move(LENGTH / 2)
    await until(lambda: daemon.pipeline.coverage.measured_in_row(2) >= LENGTH / 2 - 4)
    say(daemon, command="discard", id="f", stretch={"line": 2}, text="not wet")
    daemon.stop("done")  # the end waits for it
    outcome = await running
    assert [one.readings is not None for one in outcome.record.revisions] == [True] * 3
    assert daemon.pipeline.coverage.measured_in_row(2) <= 1  # what is read after the command counts
    live = digests(folder)
    assert len(live) > 10
    swathe("rebuild", folder.path, "--no-picture", check=True)
    assert digests(folder) == live
