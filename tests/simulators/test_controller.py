"""The crawler's controller against a real broker."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Protocol

import aiomqtt
import numpy as np
import pytest

from swathe_simulators import GoBack, Scenario, World
from swathe_simulators.controller import Gap, merged, read_gap, traverses_over
from swathe_simulators.moves import Traverse

TOPIC = "swathe/s1/gap/g1"
SPEED = 20.0


class BrokerLike(Protocol):
    """What the broker fixture gives."""

    port: int

    def start(self) -> None:
        """Start it."""

    def stop(self) -> None:
        """End it."""


def gap_message(status: str = "open") -> str:
    """Return a gap of two lines, 20..40 mm along scan."""
    return json.dumps(
        {
            "id": "g1",
            "survey": "s1",
            "status": status,
            "cause": "no_signal",
            "scan": {"from": 20, "to": 40},
            "index": {"from": 4, "to": 16},
        }
    )


async def until(condition: Callable[[], bool], seconds: float = 30) -> None:
    """Wait until a condition holds."""
    async with asyncio.timeout(seconds):
        while not condition():  # noqa: ASYNC110 - what is waited for lives in a thread
            await asyncio.sleep(0.01)


@asynccontextmanager
async def going_back(
    scenario: Scenario, folder: Path, port: int
) -> AsyncIterator[tuple[World, GoBack, asyncio.Task[None]]]:
    """Run a fast world with its controller."""
    with World(scenario, ports_dir=folder, speed=SPEED) as world:
        crawler = GoBack(world, host="127.0.0.1", port=port, settle_s=0.3)
        task = asyncio.create_task(crawler.run())
        try:
            yield world, crawler, task
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def covered(world: World, number: int) -> set[float]:
    """Return the lines that a pass drove over from 20 to 40 mm whole, at full speed."""
    rows = world.truth.rows("encoder")
    lines = set()
    for line in world.lines_mm.tolist():
        on = (rows["pass_number"] == number) & (np.abs(rows["index_mm"] - line) < 1e-6)
        on &= (rows["line"] >= 0) & (rows["scan_mm"] >= 20) & (rows["scan_mm"] <= 40)
        places = rows["scan_mm"][on]
        if len(places) > 30 and places.min() < 21 and places.max() > 39:
            lines.add(line)
    return lines


async def test_go_back_until_gap_is_closed(
    scenario_data: dict[str, Any], tmp_path: Path, mosquitto_port: int
) -> None:
    """After the raster it drives over a retained gap, where coupling is back, and stops."""
    scenario_data["fault"] = [
        {"kind": "coupling_loss", "scan_mm": [20, 40], "index_mm": [4, 20], "until": "revisit"}
    ]
    scenario = Scenario.model_validate(scenario_data)
    async with aiomqtt.Client("127.0.0.1", mosquitto_port) as daemon:
        await daemon.publish(TOPIC, gap_message(), qos=1, retain=True)
        await daemon.publish("swathe/s0/state", '{"state": "complete"}', qos=1, retain=True)
        await daemon.publish("swathe/s1/state", '{"state": "scanning"}', qos=1)
        async with going_back(scenario, tmp_path, mosquitto_port) as (world, crawler, task):
            await until(lambda: TOPIC in crawler.open_gaps)
            await daemon.publish("swathe/s1/state", '{"state": "scanning"}', qos=1)
            await until(lambda: crawler.passes == 1)
            assert not world.finished
            await until(lambda: covered(world, 1) == {8.0, 16.0})
            await daemon.publish(TOPIC, gap_message("closed"), qos=1, retain=True)
            await asyncio.wait_for(task, 30)
            assert world.finished
            assert (crawler.passes, crawler.open_gaps) == (1, {})
            rows = world.truth.rows("gauge")
    inside = (rows["scan_mm"] > 20) & (rows["scan_mm"] < 40) & (rows["index_mm"] > 4)
    assert not rows["valid"][inside & (rows["pass_number"] == 0)].any()
    assert rows["valid"][inside & (rows["pass_number"] == 1)].all()


async def test_go_back_gives_up_after_three_passes(
    small: Scenario, tmp_path: Path, mosquitto_port: int
) -> None:
    """A gap that never closes is tried three times; messages that are none are passed over."""
    async with aiomqtt.Client("127.0.0.1", mosquitto_port) as daemon:
        for number, rubbish in enumerate([b"{", b"[]", b'{"status": "open"}', b"\xff\xfe"]):
            await daemon.publish(f"swathe/s1/gap/bad{number}", rubbish, qos=1, retain=True)
        await daemon.publish(TOPIC, gap_message(), qos=1, retain=True)
        async with going_back(small, tmp_path, mosquitto_port) as (world, crawler, task):
            await asyncio.wait_for(task, 60)
            assert crawler.passes == 3
            assert list(crawler.open_gaps) == [TOPIC]
            assert world.truth.rows("encoder")["pass_number"].max() == 3


async def test_go_back_ends_with_the_survey(
    small: Scenario, tmp_path: Path, mosquitto_port: int
) -> None:
    """When the survey is told to be complete after the raster, it goes no further."""
    async with aiomqtt.Client("127.0.0.1", mosquitto_port) as daemon:
        await daemon.publish(TOPIC, gap_message(), qos=1, retain=True)
        async with going_back(small, tmp_path, mosquitto_port) as (_, crawler, task):
            await until(lambda: crawler.passes == 1)
            await daemon.publish("swathe/s1/state", '{"state": "incomplete"}', qos=1)
            await asyncio.wait_for(task, 30)
            assert crawler.passes == 1


async def test_go_back_empty_message_clears(
    small: Scenario, tmp_path: Path, mosquitto_port: int
) -> None:
    """A gap that is taken back by an empty message is no gap."""
    async with (
        aiomqtt.Client("127.0.0.1", mosquitto_port) as daemon,
        going_back(small, tmp_path, mosquitto_port) as (_, crawler, task),
    ):
        await daemon.publish(TOPIC, gap_message(), qos=1, retain=True)
        await until(lambda: TOPIC in crawler.open_gaps)
        await daemon.publish(TOPIC, b"", qos=1, retain=True)
        await asyncio.wait_for(task, 30)
        assert crawler.passes == 0


async def test_go_back_survives_broker_loss(
    small: Scenario, tmp_path: Path, mosquitto: BrokerLike
) -> None:
    """It waits for a broker that went away, forgets what is not told again, and goes on."""
    async with aiomqtt.Client("127.0.0.1", mosquitto.port) as daemon:
        await daemon.publish("swathe/s1/gap/old", gap_message(), qos=1, retain=True)
        async with going_back(small, tmp_path, mosquitto.port) as (world, crawler, task):
            await until(lambda: "swathe/s1/gap/old" in crawler.open_gaps)
            await asyncio.to_thread(mosquitto.stop)
            await until(lambda: world.wait_raster_done(0) and world.at_rest)
            await asyncio.sleep(0.8)
            assert not task.done()
            assert crawler.passes == 0
            await asyncio.to_thread(mosquitto.start)
            async with aiomqtt.Client("127.0.0.1", mosquitto.port) as again:
                await again.publish(TOPIC, gap_message(), qos=1, retain=True)
                await until(lambda: crawler.passes == 1)
                assert list(crawler.open_gaps) == [TOPIC]
                await again.publish(TOPIC, gap_message("closed"), qos=1, retain=True)
                await asyncio.wait_for(task, 30)
        with pytest.raises(aiomqtt.MqttError):
            await daemon.publish(TOPIC, b"", qos=1, timeout=1)


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b"{", "a gap message must be JSON"),
        (b"[1]", "a gap message must be a JSON object"),
        (b'{"status": "odd"}', r"'status' must be open or closed \(got 'odd'\)"),
        (b'{"status": "open"}', "'scan' must be an object with from and to"),
        (
            b'{"status": "open", "scan": {"from": 1, "to": true}}',
            r"'scan.to' must be a number of mm \(got True\)",
        ),
        (b'{"status": "open", "scan": {"from": NaN, "to": 1}}', "'scan.from' must be finite"),
    ],
)
def test_read_gap_refuses(payload: bytes, expected: str) -> None:
    """What is no gap message is told with its key."""
    with pytest.raises(ValueError, match=expected):
        read_gap(payload)


def test_read_gap_open_closed_empty() -> None:
    """An open gap has its extent; closed and empty ones are none."""
    assert read_gap(gap_message().encode()) == Gap(20, 40, 4, 16)
    assert read_gap(gap_message("closed").encode()) is None
    assert read_gap(b"") is None


def test_traverses_over_lines_inside_or_nearest() -> None:
    """Lines inside a gap are driven; if there is none, the nearest one."""
    lines = np.array([0.0, 8, 16])
    inside = traverses_over(Gap(20, 40, 4, 16), lines, margin=4)
    assert inside == [Traverse(8, 16, 44), Traverse(16, 16, 44)]
    assert traverses_over(Gap(20, 40, 10, 11), lines, margin=0) == [Traverse(8, 20, 40)]


def test_merged_joins_only_overlaps_of_one_line() -> None:
    """Overlapping stretches of a line become one; others stay apart."""
    parts = [Traverse(8, 30, 50), Traverse(8, 10, 30), Traverse(8, 60, 70), Traverse(0, 10, 90)]
    expected = [Traverse(0, 10, 90), Traverse(8, 10, 50), Traverse(8, 60, 70)]
    assert merged(parts) == expected
