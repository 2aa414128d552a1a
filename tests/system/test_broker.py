"""The whole daemon over a real broker, with an outside witness."""

from __future__ import annotations

import asyncio
import json
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import jsonschema
import pytest

from support.broker import Broker, Witness
from support.contract import payload_schemas
from support.daemon import DaemonProcess, station_text, swathe, wait_for
from swathe.store import read_survey_record
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Listen = Callable[..., Witness]
Start = Callable[..., DaemonProcess]


def schemas() -> dict[str, Any]:
    """Return the schema of each kind of message, as the package prints it."""
    result = swathe("run", "--describe")
    assert result.returncode == 0, result.stderr
    return payload_schemas(json.loads(result.stdout))


def check(heard: list[tuple[bool, str, bytes]]) -> dict[str, list[dict[str, Any]]]:
    """Validate every message against its schema; return them by kind."""
    known = schemas()
    kinds: dict[str, list[dict[str, Any]]] = {}
    for _, topic, payload in heard:
        root, station, kind, *_ = topic.split("/")
        assert (root, station) == ("swathe", "penstock-3")
        if not payload:
            continue
        message = json.loads(payload)
        jsonschema.Draft202012Validator(
            known[kind], format_checker=jsonschema.FormatChecker()
        ).validate(message)
        kinds.setdefault(kind, []).append(message)
    return kinds


def test_run_over_mosquitto(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """A plain subscriber hears state, progress, lines, gaps and ports, each by its schema."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=20, broker_port=mosquitto.port))
    early = witness("swathe/#")
    world = serve("penstock", speed=20)
    process = daemon(station)
    assert world.wait_raster_done(60)
    time.sleep(0.5)
    late = witness("swathe/#")
    time.sleep(1.0)
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    time.sleep(0.3)
    messages = check(early.close())
    assert set(messages) == {
        "state", "progress", "line", "gap", "port", "alarm", "alarms", "rescan", "revisions", "confirm",
        "checking",
    }  # fmt: skip
    states = [message["state"] for message in messages["state"]]
    assert states[0] == "scanning"
    assert states[-1] == "incomplete"
    assert messages["progress"][-1]["measured"] > 6000
    assert {message["line"] for message in messages["line"]} >= set(range(30))
    record = read_survey_record(tmp_path / "survey" / "survey.json")
    newest = {message["number"]: message for message in messages["gap"]}
    assert {number: gap["status"] for number, gap in newest.items()} == {
        gap.number: gap.status for gap in record.gaps
    }
    # Who comes late has the whole present state within a second, as retained messages.
    heard = late.close()
    retained = [(topic, payload) for kept, topic, payload in heard if kept]
    kinds = {topic.split("/")[2] for topic, _ in retained}
    assert kinds == set(messages)
    gaps = {json.loads(payload)["number"] for topic, payload in retained if "/gap/" in topic}
    assert gaps == {gap.number for gap in record.gaps}


def test_broker_absent_and_back_empty(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """The broker's absence stops nothing; when it returns empty, it is given the true state."""
    mosquitto.stop()
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=20, broker_port=mosquitto.port))
    world = serve("penstock", speed=20)
    process = daemon(station)
    world.wait_started(30)
    time.sleep(2)
    mosquitto.start()
    time.sleep(3.0)
    mosquitto.stop()
    time.sleep(1.0)
    mosquitto.start()  # without persistence: it has forgotten everything
    assert world.wait_raster_done(60)
    kinds: dict[str, list[dict[str, Any]]] = {}
    limit = time.monotonic() + 60
    # A busy machine is late; what is kept when the plan is done is what counts.
    while {line["line"] for line in kinds.get("line", [])} < set(range(30)):
        assert time.monotonic() < limit, sorted(kinds)
        heard = witness("swathe/#")
        time.sleep(1.0)
        kinds = check(heard.close())
    assert kinds["state"][0]["state"] == "scanning"
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    record = read_survey_record(tmp_path / "survey" / "survey.json")
    assert {gap["number"] for gap in kinds["gap"]} == {gap.number for gap in record.gaps}
    assert {line["line"] for line in kinds["line"]} >= set(range(30))
    assert record.progress.measured > 6000
    # A line may be cut when a busy machine holds a reader up, as a real line would overrun.
    assert sum(sum(port.faults.values()) for port in record.ports) <= 3


def test_will_tells_that_the_station_went(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """When the daemon is killed, the broker itself says that the station is gone."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=10, broker_port=mosquitto.port))
    heard = witness("swathe/penstock-3/state")
    serve("penstock", speed=10)
    process = daemon(station)
    wait_for((tmp_path / "survey" / "survey.json").exists, 20, "the record")
    time.sleep(3)
    process.signal(signal.SIGKILL)
    process.finish()
    time.sleep(1)
    states = [message["state"] for message in check(heard.close())["state"]]
    assert states[0] == "scanning"
    assert states[-1] == "offline"


def test_stale_messages_of_an_older_survey_are_cleared(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """Retained gaps of another survey vanish from the broker; those of other stations stay."""

    async def retain(topic: str, payload: dict[str, Any]) -> None:
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
            await client.publish(topic, json.dumps(payload), qos=1, retain=True)

    asyncio.run(retain("swathe/penstock-3/gap/999", {"survey": "older", "status": "open"}))
    asyncio.run(retain("swathe/penstock-9/gap/1", {"survey": "other", "status": "open"}))
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=10, broker_port=mosquitto.port))
    serve("penstock", speed=10)
    process = daemon(station)
    wait_for((tmp_path / "survey" / "survey.json").exists, 20, "the record")
    time.sleep(3)
    heard = witness("swathe/+/gap/+")
    time.sleep(1)
    topics = {topic for _, topic, _ in heard.close()}
    assert "swathe/penstock-3/gap/999" not in topics
    assert "swathe/penstock-9/gap/1" in topics
    process.signal(signal.SIGTERM)
    assert process.finish()[0] == 3


@pytest.mark.core
def test_commands_over_mqtt(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker
) -> None:
    """Commands are answered and obeyed; a retained one never is; a stepped axis takes its line.

    Whatever was kept on the station's topics, the exit code is the survey's.
    """
    station = tmp_path / "station.toml"
    text = station_text(
        "lines",
        ports,
        speed=4,
        broker_port=mosquitto.port,
        advance="command",
        index_length=50,
        index_step=10,
    )
    station.write_text(text)
    serve("lines", speed=4)
    topic = "swathe/penstock-lines"

    async def talk() -> list[dict[str, Any]]:
        replies = []
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
            await client.subscribe(f"{topic}/reply/+", qos=1)
            commands: list[dict[str, Any]] = [
                {"command": "next line", "id": "a", "by": "crew"},
                {"command": "line", "line": 99, "id": "b", "by": "crew"},
                {"command": "line", "line": 3, "id": "c", "by": "crew"},
                {"command": "note", "text": "paint loose here", "id": "d", "by": "crew"},
                {"command": "stop", "id": "e", "by": "crew"},
            ]
            for command in ["no JSON", *map(json.dumps, commands)]:
                await client.publish(f"{topic}/command", command, qos=1)
                async with asyncio.timeout(10):
                    message = await anext(aiter(client.messages))
                replies.append(json.loads(message.payload or b""))
        return replies

    async def retain_stop() -> None:
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
            payload = json.dumps({"command": "stop", "id": "z", "by": "ghost"})
            await client.publish(f"{topic}/command", payload, qos=1, retain=True)
            for kind in ("gap/7", "state", "alarm/1"):
                await client.publish(f"{topic}/{kind}", b"[" * 4000, qos=1, retain=True)

    asyncio.run(retain_stop())
    process = daemon(station)
    wait_for((tmp_path / "survey" / "survey.json").exists, 20, "the record")
    time.sleep(2)
    assert process.running
    no_command, *replies = asyncio.run(talk())
    assert not no_command["accepted"]
    assert [(reply["id"], reply["accepted"]) for reply in replies] == [
        ("a", True),
        ("b", False),
        ("c", True),
        ("d", True),
        ("e", True),
    ]
    assert replies[1]["detail"] == "refused: the plan has the lines 0 to 5"
    code, output = process.finish()
    assert code == 3
    assert "stopped over MQTT by crew" in output
    record = read_survey_record(tmp_path / "survey" / "survey.json")
    assert [note.text for note in record.notes] == ["paint loose here"]
