"""Worlds with a step block and with A-scans, on real ports."""

from __future__ import annotations

import binascii
import socket
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pytest

from swathe_simulators import Scenario, World, builtin_scenario, load_scenario


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


def flights(data: bytes) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return clock and time of flight of all whole lines with an echo, shape (n, 2)."""
    fields = [line.split(b",") for line in data.split(b"\r\n")[1:-1]]
    kept = [(float(f[1]), float(f[2])) for f in fields if f[4][:1] == b"E"]
    return np.array(kept).reshape(-1, 2)


@pytest.mark.slow
def test_block_steps_read_by_their_velocity(tmp_path: Path, listen: Listen) -> None:
    """The rounds give the four steps in turn, at 5.93 mm/µs and 0.42 µs, and air between."""
    with World(load_scenario(builtin_scenario("block")), ports_dir=tmp_path, speed=20) as world:
        ear = listen(tmp_path / "gauge")
        assert world.wait_started(20)
        start = world.start_s
        assert start is not None
        # Well into the fifth dwell; a busy machine delivers the last lines late.
        wait_for(lambda: world.now_s > start + 2 + 4 * 7.5 + 5)
        time.sleep(0.3)
        assert not world.finished
        data = ear.close()
        rows = world.truth.rows("gauge")
    thickness = (flights(data)[:, 1] - 0.42) * 5.93 / 2
    steps = np.array([12.7, 10.16, 7.62, 5.08])
    nearest = np.abs(thickness[:, None] - steps).argmin(axis=1)
    # 0.004 µs are 0.012 mm.
    assert np.abs(thickness - steps[nearest]).max() < 6 * 0.012
    begins = np.flatnonzero(np.diff(nearest, prepend=-1))
    # One after the other, and the first one again.
    assert len(begins) > 4
    assert nearest[begins].tolist() == [n % 4 for n in range(len(begins))]
    # 6 s at 20 lines/s.
    assert np.diff(begins)[:4].tolist() == pytest.approx([120] * 4, abs=2)
    on = (rows["line"] >= 0) & (rows["world_time_s"] >= start)
    assert np.array_equal(rows["valid"], on)
    assert np.array_equal(rows["thickness_mm"][on], steps[rows["line"][on]])


@pytest.mark.slow
def test_block_led_by_hand(tmp_path: Path, listen: Listen) -> None:
    """Put on a step the probe reads it until it is put on another one, or lifted off."""
    scenario = load_scenario(builtin_scenario("block"))
    world = World(scenario, ports_dir=tmp_path, speed=10)
    with pytest.raises(RuntimeError, match="has not begun"):
        world.put_on(5.08)
    with world:
        listen(tmp_path / "gauge")
        assert world.wait_started(20)
        for step in (5.08, 12.7):
            there = world.put_on(step)
            assert there >= world.now_s
            wait_for(lambda there=there: world.now_s > there + 8)  # type: ignore[misc]
            rows = world.truth.rows("gauge")
            rows = rows[rows["world_time_s"] > there]
            assert len(rows) > 100
            assert rows["valid"].all()
            assert np.all(rows["thickness_mm"] == step)
        assert world.finished
        off = world.lift_off()
        wait_for(lambda: world.now_s > off + 3)
        rows = world.truth.rows("gauge")
        rows = rows[rows["world_time_s"] > off]
        assert len(rows) > 20
        assert not rows["valid"].any()
        with pytest.raises(ValueError, match="no step of 3 mm; there are"):
            world.put_on(3)


@pytest.fixture
def ascan_scenario() -> Scenario:
    """Return the scenario of A-scans, on any port that is free."""
    scenario = load_scenario(builtin_scenario("ascan"))
    data = scenario.model_dump()
    data["device"][1]["port"]["port"] = 0
    return Scenario.model_validate(data)


def received(client: socket.socket, end: Callable[[], bool]) -> bytes:
    """Read a socket until a condition holds."""
    client.settimeout(0.05)
    data = b""
    while not end():
        try:
            data += client.recv(65536)
        except TimeoutError:
            continue
    return data


def test_ascan_blocks_show_the_wall(
    ascan_scenario: Scenario, tmp_path: Path, listen: Listen
) -> None:
    """Each block has its CRC and number, is as in the truth, and shows the back wall's echo."""
    with World(ascan_scenario, ports_dir=tmp_path, speed=10) as world:
        _, info = world.describe()
        assert info.name == "instrument"
        # Length 7 + 2 · 512, in hexadecimal.
        assert info.example.startswith("a5 5a 04 07 ")
        assert info.columns[3] == "sequence (16 bits)"
        host, number = info.port.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(number)), timeout=20) as client:
            listen(tmp_path / "encoder")
            data = received(client, lambda: world.wait_raster_done(0.0))
    # Only now: a block is read before the world has noted it.
    rows = world.truth.rows("instrument")
    size = 13 + 2 * 512
    blocks = [data[at : at + size] for at in range(0, len(data) - size + 1, size)]
    assert len(blocks) > 500
    layout = struct.Struct(">2sHIHB512hH")
    fields = [layout.unpack(block) for block in blocks]
    assert {field[:2] for field in fields} == {(b"\xa5\x5a", 7 + 2 * 512)}
    assert all(
        binascii.crc_hqx(block[:-2], 0xFFFF) == field[-1]
        for block, field in zip(blocks, fields, strict=True)
    )
    listened = rows[~rows["dropped"]][: len(blocks)]
    assert [field[2] for field in fields] == listened["clock_us"].tolist()
    assert [field[3] for field in fields] == (listened["sequence"] & 0xFFFF).tolist()
    assert [field[4] for field in fields] == listened["valid"].astype(int).tolist()
    assert set(listened["length"]) == {size}
    # The greatest sample is within half a cycle of where 2d/v + zero puts the first echo.
    samples = np.array([field[5:-1] for field in fields])
    coupled = listened["valid"]
    expected = 0.42 + 2 * listened["thickness_mm"][coupled] / 5.92
    found = samples[coupled].argmax(axis=1) / 50
    assert np.abs(found - expected).max() < 0.1
    assert np.median(np.abs(found - expected)) < 0.02
    top = samples[coupled].max(axis=1) / 32767 * 100
    assert np.mean(top) == pytest.approx(82, abs=3)
    assert np.std(top) > 2
    assert (~coupled).sum() > 5
    assert np.abs(samples[~coupled]).max() / 32767 * 100 < 10
    assert listened["thickness_mm"].min() < 7.5
