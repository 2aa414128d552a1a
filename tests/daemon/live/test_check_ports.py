"""What `check` shows of a port: places next to counts, rates, times, and what a known move proves."""

from __future__ import annotations

import time
from pathlib import Path
from threading import Event, Thread
from typing import Self

import pytest

from drivers.doubles import TcpServer
from swathe.cli.check_axis import check_axis
from swathe.errors import SwatheError
from swathe.live.axis_trial import AxisTrial
from swathe.live.listening import listen_all
from swathe.station import AxisSettings, parse_station

STATION = """name = "bench"
[survey]
folder = "bench"
[scan]
length = "200 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
zero_count = 100
[device.encoder]
port = "{url}"
{protocol}
[device.gauge]
port = "socket://127.0.0.1:9"
protocol.columns = [{{ is = "thickness", unit = "mm" }}]
"""
COUNTS = 'protocol.columns = [{ is = "counts", axis = "scan" }]'


class Sender:
    """Sends a count every 5 ms over TCP, ten more each time until `last`."""

    def __init__(self, server: TcpServer, first: int, last: int, line: bytes = b"%d\r\n") -> None:
        self._over = Event()
        self._thread = Thread(target=self._run, args=(server, first, last, line))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _run(self, server: TcpServer, first: int, last: int, line: bytes) -> None:
        client = server.accept()
        count = first
        while not self._over.is_set():
            client.sendall(line % count if b"%" in line else line)
            count += max(-10, min(10, last - count))
            time.sleep(0.005)


def test_check_shows_place_counts_rate_and_times() -> None:
    """In the user's unit, next to what was sent."""
    with TcpServer() as server, Sender(server, 100, 1100):
        station = parse_station(STATION.format(url=server.url, protocol=COUNTS), "bench.toml")
        only = station.model_copy(update={"device": {"encoder": station.device["encoder"]}})
        (report,) = listen_all(only, 1.5)
    assert report.good
    (place,) = [line for line in report.lines if line.startswith("scan")]
    assert place == "scan 100.0 mm (1,100 counts), moved by 100.0 mm meanwhile"
    (times,) = [line for line in report.lines if line.startswith("positions every")]
    assert "standard deviation" in times
    assert " ms old; times of positions by " in times


def test_check_says_how_late_an_arrival_may_be() -> None:
    """As much as the station file allows, until a run has measured it; not that it is not late at all."""
    with TcpServer() as server, Sender(server, 0, 0, b"12.41\r\n"):
        text = STATION.format(url="socket://127.0.0.1:9", protocol=COUNTS)
        station = parse_station(text.replace("socket://127.0.0.1:9", server.url), "bench.toml")
        only = station.model_copy(update={"device": {"gauge": station.device["gauge"]}})
        (report,) = listen_all(only, 0.3)
    (times,) = [line for line in report.lines if line.startswith("readings every")]
    assert times.endswith("times of readings by arrival, up to 100.0 ms late")


def test_check_of_garbage_names_what_it_may_be() -> None:
    """Seven bits with a parity are known; what is no text at all may be another rate."""
    even = bytes(byte | 0x80 * (byte.bit_count() % 2) for byte in b"TH;12.41;80\r\n")
    noise = bytes(range(0x80, 0xC0))
    for line, words in ((even, 'parity = "even"'), (noise, "`swathe listen --rates` tries them")):
        with TcpServer() as server, Sender(server, 0, 0, line):
            station = parse_station(STATION.format(url=server.url, protocol=COUNTS), "bench.toml")
            only = station.model_copy(update={"device": {"encoder": station.device["encoder"]}})
            (report,) = listen_all(only, 0.3)
        assert not report.good
        assert any(words in text for text in report.lines), report.lines


AXIS = {"length": "200 mm", "resolution": "1 mm", "device": "encoder", "counts_per_mm": 10}


@pytest.mark.parametrize(
    ("changes", "moved", "after", "problems"),
    [
        ({}, 100.0, 1010, []),
        ({}, -100.0, -990, []),
        ({"reversed": True}, 100.0, -990, []),
        ({}, 100.0, -990, ["scan went the other way: set reversed = true (it is false)"]),
        (
            {"reversed": True},
            100.0,
            1010,
            ["scan went the other way: set reversed = false (it is true)"],
        ),
        (
            {},
            100.0,
            2010,
            ["scan has 20 counts per mm, not 10: `swathe calibrate encoder` measures it"],
        ),
        ({}, 100.0, 13, ["scan hardly moved (+3 counts): is it this encoder?"]),
    ],
)
def test_known_move_settles_direction_and_scale(
    changes: dict[str, object], moved: float, after: float, problems: list[str]
) -> None:
    """From 10 counts on; nothing is said of what agrees."""
    settings = AxisSettings.model_validate(AXIS | changes)
    trial = AxisTrial("scan", settings, moved, 10, after, is_length=False)
    assert trial.problems == problems


def test_check_of_a_move_over_a_port(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The probe moves by 40 mm while it waits, the other way."""
    path = tmp_path / "station.toml"
    with TcpServer() as server, Sender(server, 100, 20_000):
        path.write_text(STATION.format(url=server.url, protocol=COUNTS))
        assert not check_axis(path, "scan -40 mm", 1.0)
    shown = " ".join(capsys.readouterr().out.split())
    assert "scan moved by -40.0 mm: +" in shown
    assert "scan went the other way: set reversed = true (it is false)" in shown
    with pytest.raises(SwatheError, match="'depth' is no encoded axis"):
        check_axis(path, "depth 40 mm", 0.0)
