"""Alarms and wanted gaps of a real run: told, acknowledged, kept, and the same after a rebuild."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from support.broker import Broker, Witness
from support.daemon import DaemonProcess, station_text, swathe, wait_for
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Listen = Callable[..., Witness]
Start = Callable[..., DaemonProcess]


def newest(heard: list[tuple[bool, str, bytes]]) -> dict[str, dict[str, Any]]:
    """Return the newest message of each topic."""
    return {topic: json.loads(payload) for _, topic, payload in heard if payload}


def test_alarms_are_told_acknowledged_and_rebuilt(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """Gaps, a thin place and a port that goes; the journal alone gives the same alarms again."""
    station = tmp_path / "station.toml"
    text = station_text("penstock", ports, speed=20, broker_port=mosquitto.port)
    text = text.replace("[scan]", 'alert_below = "8 mm"\n[scan]', 1)
    station.write_text(text + '[alarms]\nport_lost = "500 ms"\n')
    world = serve("penstock", speed=20)
    process = daemon(station)
    early = witness("swathe/penstock-3/alarm/+", "swathe/penstock-3/rescan")
    assert world.wait_raster_done(60)
    time.sleep(1)

    async def say(*commands: dict[str, Any]) -> list[dict[str, Any]]:
        replies = []
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
            await client.subscribe("swathe/penstock-3/reply/+", qos=1)
            for k, command in enumerate(commands):
                payload = json.dumps(
                    {"id": f"{command['command']}-{k}", "by": "A. Kern", **command}
                )
                await client.publish("swathe/penstock-3/command", payload, qos=1)
                async with asyncio.timeout(10):
                    message = await anext(aiter(client.messages))
                replies.append(json.loads(message.payload or b""))
        return replies

    late = witness("swathe/penstock-3/#")
    time.sleep(1)
    told = newest(late.close())
    alarms = [message for topic, message in told.items() if "/alarm/" in topic]
    kinds = {alarm["kind"]: alarm for alarm in alarms}
    assert {"gaps open", "below alert"} <= kinds.keys()
    assert kinds["below alert"]["scan"]["from"] < kinds["below alert"]["scan"]["to"]
    gap = next(m["number"] for t, m in told.items() if "/gap/" in t and m["status"] == "open")
    assert told["swathe/penstock-3/rescan"]["wanted"] == []
    replies = asyncio.run(
        say(
            {"command": "acknowledge", "alarm": kinds["gaps open"]["number"]},
            {"command": "acknowledge", "alarm": kinds["gaps open"]["number"]},
            {"command": "rescan", "gap": gap},
        )
    )
    assert [reply["accepted"] for reply in replies] == [True, False, True]
    assert "already acknowledged by A. Kern" in replies[1]["detail"]
    world.close()
    wait_for(lambda: not (ports / "gauge").exists(), 20, "the ports' end")
    time.sleep(2.5)
    asyncio.run(say({"command": "stop"}))
    assert process.finish()[0] == 3
    time.sleep(0.3)
    told = newest(early.close())
    seen = told[f"swathe/penstock-3/alarm/{kinds['gaps open']['number']}"]
    assert (seen["acknowledged_by"], seen["status"]) == ("A. Kern", "raised")
    gone = [message for message in told.values() if message.get("kind") == "port lost"]
    assert {message["device"] for message in gone} == {"encoder", "gauge"}
    assert [wanted["gap"] for wanted in told["swathe/penstock-3/rescan"]["wanted"]] == [gap]
    path = tmp_path / "survey" / "survey.json"
    live = json.loads(path.read_text())["alarms"]
    assert {alarm["number"]: alarm["kind"] for alarm in live} == {
        message["number"]: message["kind"] for topic, message in told.items() if "/alarm/" in topic
    }
    path.unlink()
    rebuilt = swathe("rebuild", tmp_path / "survey", "--no-picture")
    assert rebuilt.returncode == 0, rebuilt.stderr
    assert json.loads(path.read_text())["alarms"] == live
