"""Talking over real ports: what is sent, what is told, in which order."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from drivers.doubles import PtyPort, Tape, TcpServer, wait_until
from swathe_drivers.backoff import Backoff
from swathe_drivers.delimited import DelimitedDriver, DelimitedSettings
from swathe_drivers.port import PortReader
from swathe_drivers.talk import TalkSettings, make_schedule
from swathe_drivers.transport import PortSettings

DRIVER = DelimitedDriver(
    DelimitedSettings.model_validate({"columns": [{"is": "thickness", "unit": "mm"}]})
)


class Said:
    """Records what a reader sent."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []
        self.unanswered: list[bytes] = []

    def take(self, name: str, time_ns: int, data: bytes, unanswered: bool) -> None:
        """Take what was sent or given up."""
        assert (name, time_ns > 0) == ("gauge", True)
        (self.unanswered if unanswered else self.sent).append(data)


def reader(url: str | Path, tape: Tape, said: Said, **table: Any) -> PortReader:
    """A reader that talks."""
    return PortReader(
        "gauge",
        PortSettings(url=str(url)),
        on_chunk=tape.on_chunk,
        on_state=tape.on_state,
        on_sent=said.take,
        schedule=make_schedule(DRIVER, TalkSettings.model_validate(table)),
        backoff=Backoff(first=0.01, cap=0.05),
    )


TALK: dict[str, Any] = {
    "start": ["ON\n"],
    "stop": ["OFF\n", "BYE\n"],
    "pause": "1 ms",
    "poll": [{"send": "M?\n", "every": "5 ms"}],
    "timeout": "2 s",
}


def test_polled_device_over_a_terminal_is_asked_and_told_to_stop(tmp_path: Path) -> None:
    """Start, requests one by one, stop; every byte sent is told."""
    tape, said = Tape(), Said()
    with PtyPort(tmp_path / "gauge") as far, reader(far.link, tape, said, **TALK) as port:
        port.wait_open(5)
        heard = b""
        for number in range(20):
            while heard.count(b"M?\n") <= number:
                heard += far.receive()
            assert heard.count(b"M?\n") == number + 1  # none before the answer to the last
            far.send(b"%d.5\r\n" % number)
        wait_until(lambda: tape.data.count(b"\n") == 20, "the answers")
        closing = threading.Thread(target=port.close)
        closing.start()
        while not heard.endswith(b"BYE\n"):
            heard += far.receive()
        closing.join()
    assert heard.startswith(b"ON\nM?\n")
    assert heard.endswith(b"OFF\nBYE\n")
    assert b"".join(said.sent) == heard
    assert said.unanswered == []


def test_silent_device_is_asked_again_and_each_request_told() -> None:
    """Requests without answer are given up in time."""
    tape, said = Tape(), Said()
    table = TALK | {"timeout": "30 ms", "start": []}
    with TcpServer() as server, reader(server.url, tape, said, **table):
        server.accept()
        wait_until(lambda: len(said.unanswered) >= 3, "requests given up")
    assert set(said.unanswered) == {b"M?\n"}
    polls = said.sent.count(b"M?\n")
    assert polls - 1 <= len(said.unanswered) <= polls


def test_device_that_comes_back_is_started_again() -> None:
    """After each opening; the request that was under way is told as unanswered."""
    tape, said = Tape(), Said()
    with TcpServer() as server, reader(server.url, tape, said, **TALK):
        for turn in range(1, 3):
            client = server.accept()
            heard = b""
            while not heard.endswith(b"M?\n"):
                heard += client.recv(100)
            assert heard == b"ON\nM?\n"
            server.hang_up()
            wait_until(lambda turn=turn: len(said.unanswered) == turn, "the loss")  # type: ignore[misc]


def test_capture_in_place_of_a_port_is_not_talked_to(tmp_path: Path) -> None:
    """The answers are in it already."""
    path = tmp_path / "gauge.jsonl"
    path.write_text('{"capture": 1, "url": "COM3"}\n{"at": 0, "text": "1.5\\r\\n"}\n')
    tape, said = Tape(), Said()
    with reader(f"capture:{path}", tape, said, **TALK) as port:
        wait_until(lambda: port.state == "closed", "the end")
    assert (tape.data, said.sent, said.unanswered) == (b"1.5\r\n", [], [])


@pytest.mark.parametrize("every", ["2 ms", "20 ms"])
def test_rate_is_that_of_the_settings(tmp_path: Path, every: str) -> None:
    """A terminal that answers at once is asked about so often."""
    tape, said = Tape(), Said()
    with PtyPort(tmp_path / "gauge") as far:

        def device() -> None:
            heard = b""
            while True:
                try:
                    heard += far.receive()
                except OSError:  # the reader has closed the terminal
                    return
                while b"M?\n" in heard:
                    heard = heard.partition(b"M?\n")[2]
                    far.send(b"1.5\r\n")

        thread = threading.Thread(target=device)
        table = TALK | {"poll": [{"send": "M?\n", "every": every}], "start": [], "stop": []}
        with reader(far.link, tape, said, **table) as port:
            port.wait_open(5)
            thread.start()
            wait_until(lambda: len(tape.chunks) > 1, "the first answers")
            begin, count = tape.chunks[-1][1], len(tape.chunks)
            wait_until(lambda: len(tape.chunks) >= count + 25, "more answers")
            spent = (tape.chunks[-1][1] - begin) / (len(tape.chunks) - count)
        thread.join()
    asked = float(every.split(maxsplit=1)[0]) * 1e6
    assert 0.7 * asked < spent < 10 * asked + 10e6
