"""``swathe watch`` beside real daemons and a real broker, over MQTT alone."""

from __future__ import annotations

import json
import re
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from support.broker import Broker
from support.daemon import DaemonProcess, station_text, wait_for
from support.watch import WatchProcess, WatchTerminal
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Start = Callable[..., DaemonProcess]


def begin(
    daemon: Start, folder: Path, ports: Path, broker: Broker, *, speed: float
) -> DaemonProcess:
    """Start a daemon that keeps its survey in `folder`."""
    path = folder / "station.toml"
    text = station_text("penstock", ports, speed=speed, broker_port=broker.port)
    path.write_text(text.replace("[scan]", 'alert_below = "8 mm"\n[scan]', 1))
    return daemon(path)


def test_plain_lines_tell_gaps_alarms_and_the_end(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker
) -> None:
    """A run as a log sees it: the station, its gaps and alarms, a broker that is lost and back."""
    serve("penstock", speed=20)
    with WatchProcess("--plain", "--port", mosquitto.port) as watch:
        watch.wait_for("connected")
        process = begin(daemon, tmp_path, ports, mosquitto, speed=20)
        watch.wait_for("penstock-3: scanning")
        # Of a gap that closes before the broker has it, no line: which one is seen first may vary.
        line = watch.wait_for("penstock-3: gap ")
        assert (found := re.match(r"penstock-3: gap \d+ open: ", line)) is not None
        watch.wait_for("ALARM #1 gaps open: one open")
        watch.wait_for("below alert at ")
        mosquitto.stop()
        watch.wait_for("no broker answers at")
        told = len(watch.lines)
        mosquitto.start()
        wait_for(lambda: any("connected" in line for line in watch.lines[told:]), 20, "the broker")
        process.signal(signal.SIGTERM)
        watch.wait_for("penstock-3: incomplete: terminated")
        assert process.finish()[0] == 3
    assert sum(found[0] in line for line in watch.lines) == 1


def test_board_shows_the_station_and_its_age(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker
) -> None:
    """Coverage, map, gaps and alarms; the bell; acknowledging; a lost broker; a station gone."""
    world = serve("penstock", speed=20)
    with WatchTerminal("--port", mosquitto.port, "--by", "crew-1") as board:
        board.wait_for("no message from a station yet")
        process = begin(daemon, tmp_path, ports, mosquitto, speed=20)
        picture = board.wait_for("penstock-3: Penstock 3 scanning")
        assert "encoder" in board.wait_for("encoder open · gauge open")
        picture = board.wait_for("! ")
        assert len(picture.strip("\n").split("\n")) <= 24
        assert board.bells >= 1
        assert world.wait_raster_done(60)
        picture = board.look(1.5)
        for sign in ("▪", "○", "/", "no signal", "too fast", "mm away"):
            assert sign in picture, picture
        board.press("a")
        picture = board.wait_for("seen by crew-1")
        bells = board.bells
        board.press("b")
        board.wait_for("bell muted")
        mosquitto.stop()
        picture = board.wait_for("BROKER LOST")
        assert " old." in picture
        assert "penstock-3" in picture
        mosquitto.start()
        board.wait_for("─ bell muted")  # the station's own line, as long as the broker is there
        assert board.bells == bells
        process.signal(signal.SIGKILL)
        process.finish()
        picture = board.wait_for("OFFLINE")
        words = " ".join(picture.split())
        assert re.search(r"OFFLINE since 20\d\d-\d\d-\d\d \d\d:\d\d:\d\d UTC, \d+ s ago", words)
        assert "; it was scanning then: killed, or without power or network" in words
        board.press("q")
        assert board.process.wait(20) == 0
    record = json.loads((tmp_path / "survey" / "survey.json").read_text())
    assert {alarm["acknowledged_by"] for alarm in record["alarms"]} >= {"crew-1"}


def test_board_one_station_of_several(mosquitto: Broker, tmp_path: Path) -> None:
    """The arrows go through the stations; --station hears one alone."""
    import asyncio

    import aiomqtt

    from daemon.messages.test_messages import OF, progress
    from swathe.messages import Heading, ProgressMessage, StateMessage, moment

    del tmp_path

    async def tell(*names: str) -> None:
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
            for name in names:
                of: Heading = {**OF, "station": name, "time": moment(time.time_ns())}
                state = StateMessage(**of, state="scanning", part=f"part of {name}")
                told = ProgressMessage.of(progress(), of)
                for kind, message in (("state", state), ("progress", told)):
                    payload = message.model_dump_json(by_alias=True)
                    await client.publish(f"swathe/{name}/{kind}", payload, qos=1, retain=True)

    asyncio.run(tell("belt-1", "belt-2", "belt-3"))
    with WatchTerminal("--port", mosquitto.port) as board:
        board.wait_for("belt-1: part of belt-1")
        board.press("\x1b[B")
        board.wait_for("belt-2: part of belt-2")
        board.press("\t")
        board.wait_for("belt-3: part of belt-3")
        board.press("\x1b[A\x1b[A\x1b[A")
        picture = board.wait_for("belt-3: part of belt-3")
        assert "a acknowledge" not in picture
    with WatchTerminal("--port", mosquitto.port, "--station", "belt-2") as board:
        board.wait_for("belt-2: part of belt-2")
        assert "belt-1" not in board.look(1.0)
    # Nothing fresh comes: after a while it says so, rather than look alive.
    with WatchTerminal("--port", mosquitto.port, "--station", "belt-2") as board:
        board.wait_for("NO MESSAGE since", 30)
