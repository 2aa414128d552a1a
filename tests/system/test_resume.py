"""Resuming on real pseudo-terminals: what arrives while earlier runs are replayed is not lost."""

from __future__ import annotations

import asyncio
import os
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
import zarr

from daemon.handmade import UTC, VELOCITY, line
from daemon.surveys import RUNS, TEXT, assert_same, watch_replays, write_survey
from support.daemon import swathe
from swathe.journal import Chunk, Entry, Mark, MarkKind, read_journal
from swathe.live import Daemon
from swathe.live.origin import Origin
from swathe.messages import CommandMessage
from swathe.pipeline import CellState
from swathe.station import parse_station
from swathe.store import LAYERS, SurveyFolder, read_survey_record, record_of, replay

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals"),
]


class Terminals:
    """The two devices' ends of pseudo-terminals."""

    def __init__(self, folder: Path) -> None:
        self.ends: dict[str, int] = {}
        self._others: list[int] = []
        (folder / "ports").mkdir()
        for name in ("encoder", "gauge"):
            end, other = os.openpty()
            tty.setraw(other)
            (folder / "ports" / name).symlink_to(os.ttyname(other))
            self.ends[name] = end
            self._others.append(other)

    def send(self, ms: int, scan: float, wall: float) -> None:
        """Send a position and a reading."""
        os.write(self.ends["encoder"], line(f"P,{ms},{round(10 * scan)}"))
        os.write(self.ends["gauge"], line(f"R,{ms},{2 * wall / VELOCITY:.6f},E"))

    def close(self) -> None:
        """Close both."""
        for end in (*self.ends.values(), *self._others):
            os.close(end)


@pytest.fixture
def terminals(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminals]:
    """Return the devices, with the test's folder as the working directory."""
    monkeypatch.chdir(tmp_path)
    made = Terminals(tmp_path)
    yield made
    made.close()


def daemon_of(folder: SurveyFolder) -> Daemon:
    """Return a daemon on the pseudo-terminals."""
    return Daemon(parse_station(TEXT, "bench.toml"), TEXT, folder)


def slow_replay(patch: pytest.MonkeyPatch, *, until: threading.Event) -> threading.Event:
    """Let a replay in a thread dawdle from its tenth block on; return what is set when it is there."""
    there, blocks = threading.Event(), 0

    def dawdle(_entries: Sequence[Entry]) -> None:
        nonlocal blocks
        blocks += 1
        if blocks > 10 and threading.current_thread() is not threading.main_thread():
            there.set()
            until.wait(0.3)

    watch_replays(patch, dawdle)
    return there


async def eventually(condition: Callable[[], bool], seconds: float = 30) -> None:
    """Wait until a condition holds."""
    limit = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < limit
        await asyncio.sleep(0.01)


def received(folder: SurveyFolder) -> dict[str, bytes]:
    """Return the bytes of each port of the last run, as the journal has them now."""
    found: dict[str, bytes] = {}
    for entry in read_journal(folder.journal):
        if isinstance(entry, Mark) and entry.kind is MarkKind.OPENED:
            found = {"encoder": b"", "gauge": b""}
        elif isinstance(entry, Chunk):
            found[entry.port] += entry.data
    return found


async def test_bytes_of_a_slow_resumption_are_in_journal_and_arrays(
    tmp_path: Path, terminals: Terminals, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are journalled as they come, fed in order afterwards, and rebuilt bit for bit."""
    folder = write_survey(tmp_path / "survey")
    assert replay(folder).grid.state[5] == CellState.MEASURED
    before = float(replay(folder).grid.layer("hits", slice(0, 1), slice(5, 6))[0, 0])
    go = threading.Event()
    daemon = daemon_of(folder)
    with monkeypatch.context() as patch:
        there = slow_replay(patch, until=go)
        running = asyncio.create_task(daemon.run())
        await eventually(there.is_set)
        begun = len(received(folder)["gauge"])
        for ms in range(0, 1000, 10):
            terminals.send(ms, 4.0 + ms / 500, 11.5)
            await asyncio.sleep(0.005)
        await eventually(lambda: received(folder)["gauge"].count(b"\r\n") == 100)
        assert begun == 0
        refused = daemon.commands.execute(command("pause"), Origin.MQTT)
        assert not refused.accepted
        assert refused.detail.startswith("refused: the survey is being resumed: the journal of ")
        assert daemon.commands.execute(command("note"), Origin.MQTT).accepted
        state = daemon.mirror.messages["swathe/bench/state"].model_dump()
        assert state["state"] == "resuming"
        assert 0 <= state["resumed"] < 100
        assert not running.done()
        go.set()
        await eventually(lambda: resumed(daemon))
    for ms in range(1000, 2000, 10):
        terminals.send(ms, 4.0 + ms / 500, 11.5)
        await asyncio.sleep(0.002)
    await eventually(lambda: received(folder)["gauge"].count(b"\r\n") == 200)
    daemon.stop("seen enough")
    outcome = await asyncio.wait_for(running, 20)
    assert outcome.reason == "seen enough"
    assert received(folder)["encoder"].count(b"\r\n") == 200
    rebuilt = replay(folder)
    assert_same(daemon.pipeline, rebuilt)
    after = float(rebuilt.grid.layer("hits", slice(0, 1), slice(5, 6))[0, 0])
    assert after >= before + 40
    stored = zarr.open_group(folder.zarr, mode="r")
    every = slice(0, rebuilt.grid.shape[0]), slice(0, rebuilt.grid.shape[1])
    for name in LAYERS:
        found = np.asarray(stored[name])
        assert found.tobytes() == rebuilt.grid.layer(name, *every).tobytes(), name
    assert read_survey_record(folder.record) == record_of(rebuilt)
    assert "patience" in [text for _, text in rebuilt.notes]


async def test_stop_during_a_slow_resumption_ends_in_good_order(
    tmp_path: Path, terminals: Terminals, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within seconds; nothing that arrived is lost, and the next run has it."""
    folder = write_survey(tmp_path / "survey")
    await finished(folder)  # the record is there
    with monkeypatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path / "elsewhere"))  # without checkpoint
        there = slow_replay(patch, until=threading.Event())
        daemon = daemon_of(folder)
        running = asyncio.create_task(daemon.run())
        await eventually(there.is_set)
        terminals.send(10, 4.0, 11.5)
        await eventually(lambda: received(folder)["gauge"].count(b"\r\n") == 1)
        begun = time.monotonic()
        daemon.stop("terminated")
        outcome = await asyncio.wait_for(running, 20)
        assert time.monotonic() - begun < 3
    assert (outcome.status, outcome.halted) == ("incomplete", False)
    assert outcome.reason == "terminated, before the earlier runs were replayed"
    assert received(folder)["gauge"].count(b"\r\n") == 1
    last = list(read_journal(folder.journal))[-1]
    assert isinstance(last, Mark)
    assert last.kind is MarkKind.ENDED
    runs = replay(folder).runs
    assert runs == len(RUNS) + 2
    await finished(folder)
    assert read_survey_record(folder.record) == record_of(replay(folder))


async def finished(folder: SurveyFolder) -> None:
    """Run and stop once the survey is resumed."""
    daemon = daemon_of(folder)
    running = asyncio.create_task(daemon.run())
    await eventually(lambda: resumed(daemon))
    daemon.stop("seen enough")
    await asyncio.wait_for(running, 20)


def resumed(daemon: Daemon) -> bool:
    """Return whether the daemon has its pipeline."""
    return daemon._session._pipeline is not None


def command(name: str) -> CommandMessage:
    """Return a command."""
    return CommandMessage.model_validate(
        {"id": name, "by": "crew-1", "command": name, "text": "patience"}
    )


def test_rebuild_until_a_time_writes_what_was_known_then(tmp_path: Path) -> None:
    """The files are those of a survey that ended there; without an end they are whole again."""
    folder = write_survey(tmp_path / "survey")
    done = swathe("rebuild", folder.path, "--no-picture", "--until", "0.9 s")
    assert done.returncode == 0, done.stderr
    early = replay(folder, until=UTC + 900_000_000)
    assert read_survey_record(folder.record) == record_of(early)
    assert [note.text for note in read_survey_record(folder.record).notes] == ["wet"]
    refused = swathe("rebuild", folder.path, "--no-picture", "--until", "2027-01-15T08:00:00")
    assert refused.returncode != 0
    assert "'until' must have its offset from UTC" in " ".join(refused.stderr.split())
    assert swathe("rebuild", folder.path, "--no-picture").returncode == 0
    assert read_survey_record(folder.record) == record_of(replay(folder))
