"""The world as a whole, on real ports."""

from __future__ import annotations

import errno
import os
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pytest

from swathe_simulators import Scenario, World
from swathe_simulators.truth import Rows


class Ear(Protocol):
    """What the listener fixture gives."""

    data: bytearray

    def close(self) -> bytes:
        """Stop and return what was read."""


Listen = Callable[[Path], Ear]


def wait_for(condition: Callable[[], bool], seconds: float = 20) -> None:
    """Wait until a condition holds."""
    limit = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < limit, "waited in vain"
        time.sleep(0.005)


def hung_up(fd: int) -> bool:
    """Read what is left on a pty and tell whether its other end is gone."""
    try:
        return os.read(fd, 65536) == b""
    except BlockingIOError:
        return False
    except OSError as error:
        return error.errno == errno.EIO


def listened(rows: Rows) -> Rows:
    """Return the rows whose lines were written."""
    written: Rows = rows[~rows["dropped"]]
    return written


def test_world_waits_for_listeners_then_scans(
    scenario_data: dict[str, Any], tmp_path: Path, listen: Listen
) -> None:
    """Motion begins when both ports are listened to; every byte read is in the truth log."""
    scenario_data["start"] = "when_listened"
    with World(Scenario.model_validate(scenario_data), ports_dir=tmp_path, speed=10) as world:
        one = listen(tmp_path / "encoder")
        wait_for(lambda: len(one.data) > 1000)
        assert not world.wait_started(0)
        assert world.start_s is None
        two = listen(tmp_path / "gauge")
        assert world.wait_started(20)
        assert world.wait_raster_done(60)
        assert world.finished
        wait_for(lambda: b"\r\n" in two.data)
        readings = world.truth.rows("gauge")
        assert set(readings["line"]) == {-1, 0, 1, 2}
        start = world.start_s
        assert start is not None
        waiting = readings[readings["world_time_s"] < start]
        assert len(waiting) > 0
        assert np.all(waiting["scan_mm"] == -15)
    for name, ear in (("encoder", one), ("gauge", two)):
        data = ear.close()
        rows = listened(world.truth.rows(name))
        lines = data.split(b"\r\n")[:-1]
        assert abs(len(lines) - len(rows)) <= 100  # those of the last moment may be unread
        lengths = [len(line) + 2 for line in lines]
        assert lengths == rows["length"][: len(lines)].tolist()
        clocks = [int(line.split(b",")[1]) for line in lines]
        assert clocks == rows["clock_us"][: len(lines)].tolist()
    assert list(tmp_path.iterdir()) == []


def test_world_held_waits_for_its_release(
    scenario_data: dict[str, Any], tmp_path: Path, listen: Listen
) -> None:
    """A held motion does not begin when both ports are listened to, but once it is released."""
    scenario_data["start"] = "when_listened"
    scenario = Scenario.model_validate(scenario_data)
    with World(scenario, ports_dir=tmp_path, speed=10, held=True) as world:
        ends = [listen(tmp_path / name) for name in ("encoder", "gauge")]
        wait_for(lambda: all(len(end.data) > 1000 for end in ends))
        assert world.start_s is None
        world.release()
        assert world.wait_started(20)


def test_world_host_time_never_before_due(small: Scenario, tmp_path: Path) -> None:
    """In wall time too, no line is written before its delay and transmission are over."""
    with World(small, ports_dir=tmp_path, speed=5) as world:
        wait_for(lambda: len(world.truth.rows("gauge")) > 300)
        rows, facts = world.truth.rows("gauge"), world.truth.metadata
    written = (rows["host_time_ns"] - facts["origin_ns"]) / 1e9 * 5
    assert np.all(written >= rows["due_s"] - 1e-6)
    assert np.all(written >= rows["world_time_s"] + 0.009 + rows["length"] * 10 / 57600 - 1e-6)


def test_world_same_seed_same_bytes(
    scenario_data: dict[str, Any], tmp_path: Path, listen: Listen
) -> None:
    """Two worlds of one seed send the same bytes from the start of the motion on."""
    scenario_data["start"] = "when_listened"
    for device in scenario_data["device"]:
        device["clock"] = False  # how long it waited for listeners shows in the clock
    scenario = Scenario.model_validate(scenario_data)
    streams = []
    for seed in (3, 3, 4):
        with World(scenario, ports_dir=tmp_path, speed=20, seed=seed) as world:
            listen(tmp_path / "encoder")
            ear = listen(tmp_path / "gauge")
            assert world.wait_raster_done(60)
            start = world.start_s
        assert start is not None
        rows = listened(world.truth.rows("gauge"))
        idle = int(rows["length"][rows["world_time_s"] < start].sum())
        streams.append(ear.close()[idle:])
    n = min(len(stream) for stream in streams)
    assert n > 2000
    assert streams[0][:n] == streams[1][:n]
    assert streams[0][:n] != streams[2][:n]


def test_world_trajectory_is_the_same_at_any_speed(small: Scenario, tmp_path: Path) -> None:
    """As a function of world seconds the place does not depend on the speed."""
    truths = []
    for speed in (5.0, 25.0):
        with World(small, ports_dir=tmp_path, speed=speed) as world:
            wait_for(lambda world=world: len(world.truth.rows("encoder")) > 500)  # type: ignore[misc]
            truths.append(world.truth.rows("encoder")[:500])
    for field in ("sequence", "world_time_s", "scan_mm", "index_mm", "scan_counts", "line"):
        assert np.array_equal(truths[0][field], truths[1][field])
    real = [np.ptp(t["host_time_ns"]) / 1e9 for t in truths]
    assert real[0] >= 2.4 / 5
    assert real[1] < real[0]


def test_world_unheard_lines_are_dropped_and_counted(
    small: Scenario, tmp_path: Path, listen: Listen
) -> None:
    """A device speaks to nobody, too: its lines are dropped until somebody listens."""
    with World(small, ports_dir=tmp_path, speed=5) as world:
        wait_for(lambda: len(world.truth.rows("gauge")) > 50)
        ear = listen(tmp_path / "gauge")
        wait_for(lambda: len(ear.data) > 500)
        data = ear.close()
        size = len(world.truth.rows("gauge"))
        wait_for(lambda: len(world.truth.rows("gauge")) > size + 50)
    rows = world.truth.rows("gauge")
    assert rows["dropped"][:50].all()
    assert rows["dropped"][-20:].all()
    first = listened(rows)[0]
    assert data.startswith(b"R,%d," % first["clock_us"])
    lost = int(rows["length"][rows["dropped"]].sum())
    assert world.truth.dropped_bytes["gauge"] >= lost > 0


def test_world_unplug_and_replug_pty(small: Scenario, tmp_path: Path, listen: Listen) -> None:
    """An unplugged pty is gone, its lines are lost; replugged it is back in its place."""
    with World(small, ports_dir=tmp_path, speed=5) as world:
        fd = os.open(tmp_path / "gauge", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        world.unplug("gauge")
        wait_for(lambda: hung_up(fd))
        os.close(fd)
        assert not (tmp_path / "gauge").is_symlink()
        size = len(world.truth.rows("gauge"))
        wait_for(lambda: len(world.truth.rows("gauge")) > size + 20)
        world.replug("gauge")
        ear = listen(tmp_path / "gauge")
        wait_for(lambda: len(ear.data) > 200)
        world.unplug("gauge", 0.2)
        assert not (tmp_path / "gauge").is_symlink()
        wait_for((tmp_path / "gauge").is_symlink)
        with pytest.raises(KeyError, match="there are: encoder, gauge"):
            world.unplug("lamp")
    assert world.truth.rows("gauge")["dropped"][size : size + 15].all()


def test_world_scheduled_unplug(scenario_data: dict[str, Any], tmp_path: Path) -> None:
    """A scenario takes a cable off and puts it back."""
    scenario_data["unplug"] = [{"device": "encoder", "at_s": 1, "for_s": 3}]
    with World(Scenario.model_validate(scenario_data), ports_dir=tmp_path, speed=5) as world:
        assert (tmp_path / "encoder").is_symlink()
        wait_for(lambda: not (tmp_path / "encoder").is_symlink())
        assert world.now_s >= 1
        wait_for((tmp_path / "encoder").is_symlink)
        assert world.now_s >= 4


def test_world_injections_come_between_lines(
    scenario_data: dict[str, Any], tmp_path: Path, listen: Listen
) -> None:
    """Foreign bytes are where their time puts them, and no line is broken by them."""
    scenario_data["start"] = "when_listened"
    scenario_data["inject"] = [
        {"device": "gauge", "at_s": 0.5, "bytes_hex": "fffe00"},
        {"device": "gauge", "at_s": 0.25, "text": "R,12"},
    ]
    with World(Scenario.model_validate(scenario_data), ports_dir=tmp_path, speed=2) as world:
        listen(tmp_path / "encoder")
        ear = listen(tmp_path / "gauge")
        wait_for(lambda: b"\xff\xfe\x00R," in ear.data)
        world.inject("gauge", b"by hand")
        wait_for(lambda: b"by hand" in ear.data)
        size = len(ear.data)
        wait_for(lambda: len(ear.data) > size + 100)
        start = world.start_s
    data = ear.close()
    assert start is not None
    rows = listened(world.truth.rows("gauge"))
    early = int(rows["length"][rows["due_s"] <= start + 0.25].sum())
    assert data[early : early + 6] == b"R,12R,"
    between = int(rows["length"][rows["due_s"] <= start + 0.5].sum()) + 4
    assert data[between : between + 5] == b"\xff\xfe\x00R,"


def test_world_tcp_two_clients(scenario_data: dict[str, Any], tmp_path: Path) -> None:
    """On TCP the real port is told, two clients read the same lines, and it comes again."""
    scenario_data["device"] = [scenario_data["device"][1] | {"port": {"kind": "tcp"}}]
    with World(Scenario.model_validate(scenario_data), ports_dir=tmp_path, speed=5) as world:
        (info,) = world.describe()
        assert info.baud is None
        number = int(info.port.rpartition(":")[2])
        streams = []
        with (
            socket.create_connection(("127.0.0.1", number), timeout=20) as one,
            socket.create_connection(("127.0.0.1", number), timeout=20) as two,
        ):
            for client in (one, two):
                data = b""
                while data.count(b"\r\n") < 20:
                    data += client.recv(4096)
                streams.append(data.split(b"\r\n")[1:19])
            world.unplug("gauge", 0.1)
            while one.recv(4096):
                pass
        assert set(streams[0]) & set(streams[1])

        def back() -> bool:
            try:
                socket.create_connection(("127.0.0.1", number), timeout=5).close()
            except ConnectionRefusedError:
                return False
            return True

        wait_for(back)


def test_world_sustains_five_thousand_lines_a_second(
    scenario_data: dict[str, Any], tmp_path: Path, listen: Listen
) -> None:
    """A gauge of 5000 lines/s is served without falling behind (half a second of slack)."""
    gauge = scenario_data["device"][1] | {"rate_hz": 5000, "port": {"kind": "pty", "baud": 4000000}}
    scenario_data["device"] = [gauge]
    scenario_data["motion"]["wait_s"] = 5
    with World(Scenario.model_validate(scenario_data), ports_dir=tmp_path) as world:
        ear = listen(tmp_path / "gauge")
        wait_for(lambda: len(world.truth.rows("gauge")) >= 10_000)
        rows, facts = world.truth.rows("gauge"), world.truth.metadata
    ear.close()
    late = (rows["host_time_ns"] - facts["origin_ns"]) / 1e9 - rows["due_s"]
    assert late.max() < 0.5


def test_world_combined_slip_and_rollover(scenario_data: dict[str, Any], tmp_path: Path) -> None:
    """A combined device counts short after a slip, and the truth keeps the whole counts."""
    combined = scenario_data["device"][1] | {
        "name": "instrument",
        "kind": "combined",
        "bits": 16,
        "axes": [{"axis": "scan", "counts_per_mm": 10, "preset": 100}],
    }
    scenario_data["device"] = [combined]
    scenario_data["fault"] = [
        {"kind": "slip", "scan_mm": [10, 30], "index_mm": [-1, 1], "factor": 0.5}
    ]
    with World(Scenario.model_validate(scenario_data), ports_dir=tmp_path, speed=20) as world:
        assert world.wait_raster_done(60)
        wait_for(lambda: len(world.truth.rows("instrument")) > 60 * world.trajectory.end_s)
        rows = world.truth.rows("instrument")
        assert np.array_equal(world.truth.positions(), rows)
    short = rows["scan_mm"] - (rows["scan_counts"] - 100) / 10
    before = (rows["line"] == 0) & (rows["scan_mm"] < 10)
    assert np.all(np.abs(short[before]) <= 0.1 + 1e-9)
    assert np.all(np.abs(short[rows["line"] >= 1] - 10) <= 0.1 + 1e-9)


def test_world_life_cycle(small: Scenario, tmp_path: Path) -> None:
    """Close works before start, twice and after a failed start; a second start is refused."""
    with pytest.raises(ValueError, match="'speed' must be > 0"):
        World(small, ports_dir=tmp_path, speed=0)
    never = World(small, ports_dir=tmp_path)
    with pytest.raises(RuntimeError, match="start it first"):
        never.inject("gauge", b"x")
    never.close()
    with World(small, ports_dir=tmp_path) as world:
        with pytest.raises(RuntimeError, match="starts once"):
            world.start()
        with pytest.raises(RuntimeError, match="not begun"):
            World(small, ports_dir=tmp_path).lift_off()
    world.close()
    assert world.closed
    (tmp_path / "gauge").write_text("in the way")
    blocked = World(small, ports_dir=tmp_path)
    with pytest.raises(FileExistsError):
        blocked.start()
    assert [path.name for path in tmp_path.iterdir()] == ["gauge"]


def test_world_replug_failure_is_the_callers(
    small: Scenario, tmp_path: Path, listen: Listen
) -> None:
    """If a port can't come back when asked to, the caller is told, and all else goes on."""
    with World(small, ports_dir=tmp_path, speed=5) as world:
        world.unplug("gauge")
        (tmp_path / "gauge").write_text("in the way")
        with pytest.raises(FileExistsError, match="choose another folder"):
            world.replug("gauge")
        ear = listen(tmp_path / "encoder")
        wait_for(lambda: len(ear.data) > 200)
        (tmp_path / "gauge").unlink()
        world.replug("gauge")
        assert (tmp_path / "gauge").is_symlink()


def test_world_failure_in_serving_is_told(small: Scenario, tmp_path: Path) -> None:
    """If a port can't come back by itself, waiting and closing say so with the cause."""
    world = World(small, ports_dir=tmp_path)
    world.start()
    world.unplug("gauge", 0.2)
    (tmp_path / "gauge").write_text("in the way")
    with pytest.raises(RuntimeError, match="stopped serving"):
        world.wait_raster_done(20)
    with pytest.raises(RuntimeError, match="stopped serving") as caught:
        world.close()
    assert isinstance(caught.value.__cause__, FileExistsError)
    world.close()
