"""What a port sends is found at the usual baud rates."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from swathe.draft import port_trial
from swathe.draft.port_trial import USUAL_BAUDS, PortTrial, try_port
from swathe_drivers import DriverError, PortSettings, parse_description
from swathe_drivers.capture import CaptureHeader, CaptureWriter

LINES = b"".join(
    f"{number * 10_000},{(number * 37 % 11) / 100 + 14:.2f},{number % 7 + 80}\r\n".encode()
    for number in range(300)
)
NOISE = Random(1).randbytes(4000)


@pytest.fixture
def tried() -> list[int]:
    """Return the list of the rates that were tried."""
    return []


@pytest.fixture
def rates(
    monkeypatch: pytest.MonkeyPatch, tried: list[int]
) -> Iterator[dict[int, tuple[bytes, str]]]:
    """Return what each rate gives; those that were tried are in the order of trial."""
    gives: dict[int, tuple[bytes, str]] = {}

    def receive(
        settings: PortSettings, seconds: float, probe_seconds: float
    ) -> tuple[list[tuple[int, bytes]], str]:
        assert probe_seconds <= seconds
        tried.append(settings.baud)
        data, problem = gives.get(settings.baud, (b"", ""))
        return [(0, data)] if data else [], problem

    monkeypatch.setattr(port_trial, "_receive", receive)
    yield gives
    assert tried == sorted(tried, reverse=True)
    assert set(tried) <= set(USUAL_BAUDS)


@pytest.mark.parametrize("rate", USUAL_BAUDS)
def test_the_rate_that_gives_text_is_taken(
    rates: dict[int, tuple[bytes, str]], tried: list[int], rate: int
) -> None:
    """Faster ones give noise, slower ones are not tried; the description has the rate."""
    rates |= dict.fromkeys(USUAL_BAUDS, (NOISE, ""))
    rates[rate] = (LINES, "")
    trial = try_port("/dev/ttyS9")
    assert parse_description(trial.text, "it").port["baud"] == rate
    assert trial.received == len(LINES)
    assert trial.summary
    assert tried[-1] == rate


def test_a_port_that_cannot_be_opened_is_tried_once(
    rates: dict[int, tuple[bytes, str]], tried: list[int]
) -> None:
    """Its reason is what is shown."""
    rates[USUAL_BAUDS[0]] = (b"", "permission denied")
    assert try_port("/dev/ttyS9") == PortTrial("/dev/ttyS9", problem="permission denied")
    assert len(tried) == 1


def test_silence_at_every_rate(rates: dict[int, tuple[bytes, str]]) -> None:
    """A device that is polled sends nothing unasked."""
    assert not rates
    trial = try_port("/dev/ttyS9")
    assert trial.summary == "no bytes: does it send unasked?"
    assert not trial.text


def test_a_network_port_is_read_once() -> None:
    """It has no rate; what it sends is read for a while, and nothing is sent to it."""
    sent_back: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            link, _ = server.accept()
            with link:
                link.sendall(LINES)
                while data := link.recv(100):
                    sent_back.append(data)

        thread = threading.Thread(target=serve)
        thread.start()
        trial = try_port(f"socket://127.0.0.1:{server.getsockname()[1]}", seconds=0.5)
        thread.join(20)
    assert trial.received == len(LINES)
    assert "baud" not in trial.text
    assert parse_description(trial.text, "it").decoder(ns_per_byte=0).gives_readings
    assert sent_back == []


def test_a_capture_with_a_description_keeps_it(tmp_path: Path) -> None:
    """What was in use when it was made needs no proposal."""
    text = "[protocol]\ncolumns = [{ is = 'thickness', unit = 'mm' }]\n"
    header = CaptureHeader(url="/dev/ttyUSB0", description=text)
    with CaptureWriter(tmp_path / "c.jsonl", header, start_ns=0) as capture:
        capture.chunk(0, b"14.2\r\n")
    trial = try_port(f"capture:{tmp_path / 'c.jsonl'}")
    assert trial == PortTrial(f"capture:{tmp_path / 'c.jsonl'}", 6, text=text)
    assert trial.summary == "thickness"
    (tmp_path / "d.jsonl").write_text("none")
    with pytest.raises(DriverError, match="capture"):
        try_port(f"capture:{tmp_path / 'd.jsonl'}")
