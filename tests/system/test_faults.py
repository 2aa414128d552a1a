"""Bad bytes and lost ports: counted, told with port and byte offset, nothing else disturbed."""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from support.broker import Broker, Witness
from support.daemon import DaemonProcess, station_text, wait_for
from swathe.journal import Chunk, PortChange, read_journal
from swathe.store import read_survey_record
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
Listen = Callable[..., Witness]
Start = Callable[..., DaemonProcess]


def sealed(body: str) -> bytes:
    """Return a line with its checksum, as the gauge would send it."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"{body}*{total:02X}\r\n".encode()


def _is_in(heard: Witness, text: bytes) -> bool:
    """Return whether the witness has heard a text."""
    return text in heard.heard()


GARBAGE = {
    "unknown_line": b"\x00\xff\xfe~~ not a line of ours ~~\r\n",
    "columns": sealed("R,5000"),
    "checksum": b"R,100,4.7300,80.0,E*00\r\n",
    "not_finite": sealed("R,100,nan,80.0,E"),
    "out_of_range": sealed("R,100,999.0,80.0,E"),
    "number": sealed("R,100,4.7.3,80.0,E"),
    "status": sealed("R,100,4.7300,80.0,Q"),
}


@pytest.mark.core
def test_bad_lines_are_counted_and_placed(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """Each kind of bad line is counted once, with its byte offset, and no neighbour is hurt."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=4, broker_port=mosquitto.port))
    heard = witness("swathe/penstock-3/port/gauge")
    world = serve("penstock", speed=4)
    process = daemon(station)
    world.wait_started(30)
    time.sleep(1.0)
    for reason, line in GARBAGE.items():
        world.inject("gauge", line)
        # Health is told once a second and tells the last fault: each waits until it was told.
        expected = f'"reason":"{reason}"'.encode()
        wait_for(partial(_is_in, heard, expected), 60, f"the fault {reason}")
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    record = read_survey_record(tmp_path / "survey" / "survey.json")
    gauge = next(port for port in record.ports if port.device == "gauge")
    counted = {reason: count for reason, count in gauge.faults.items() if reason != "partial"}
    assert counted == dict.fromkeys(GARBAGE, 1)
    encoder = next(port for port in record.ports if port.device == "encoder")
    assert not encoder.faults
    # Nothing else is disturbed: what was scanned by then has no hole.
    assert record.progress.measured > 300
    assert not record.open_gaps or {str(gap.cause) for gap in record.open_gaps} == {"unvisited"}
    # The offset that was told is where the journal has those bytes.
    stream = b"".join(
        entry.data
        for entry in read_journal(tmp_path / "survey" / "journal")
        if isinstance(entry, Chunk) and entry.port == "gauge"
    )
    told = {}
    for _, _, payload in heard.close():
        fault = json.loads(payload)["last_fault"]
        if fault is not None:
            told[fault["reason"]] = fault
    for reason, line in GARBAGE.items():
        fault = told[reason]
        body = line.rstrip(b"\r\n")
        assert stream[fault["offset"] : fault["offset"] + fault["length"]] == body
        assert fault["detail"]


def test_pulled_cable_is_told_and_survived(
    serve: Serve, daemon: Start, ports: Path, tmp_path: Path, mosquitto: Broker, witness: Listen
) -> None:
    """A pulled gauge cable: the port is lost, then open again; what was passed over is a gap."""
    station = tmp_path / "station.toml"
    station.write_text(station_text("penstock", ports, speed=2, broker_port=mosquitto.port))
    heard = witness("swathe/penstock-3/#")
    world = serve("penstock", speed=2)
    process = daemon(station)
    world.wait_started(30)
    time.sleep(2.0)
    world.unplug("gauge", 1.5)
    time.sleep(6.0)
    process.signal(signal.SIGTERM)
    code, output = process.finish()
    assert code == 3, output
    states = [
        entry.state
        for entry in read_journal(tmp_path / "survey" / "journal")
        if isinstance(entry, PortChange) and entry.port == "gauge"
    ]
    # A port that stays away may be told again when the reason changes.
    told = [state for state, before in zip(states, ["", *states], strict=False) if state != before]
    assert told[:4] == ["opening", "open", "lost", "open"]
    said = [(topic, json.loads(payload)) for _, topic, payload in heard.close() if payload]
    assert "lost" in {m["state"] for topic, m in said if topic.endswith("/port/gauge")}
    first_gap = next(m for topic, m in said if "/gap/" in topic)
    assert first_gap["status"] == "open"
    # Its port was away while the probe went on: whether it had an echo nobody knows.
    assert first_gap["cause"] == "readings not received"
