"""A device that has to be asked: the whole daemon, `check --listen` and `listen`, on real ports."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import numpy as np
import pytest
import xarray as xr

from drivers.doubles import TcpServer
from support.daemon import DaemonProcess, swathe
from swathe.journal import Sent, read_journal
from swathe.store import SurveyFolder, replay

STATION = """
name = "asked"
[survey]
folder = "survey"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "counter"
counts_per_mm = 10
[device.counter]
port = "{url}"
description = "counter.toml"
"""
COUNTER = r"""
[talk]
start = ["ON\n"]
stop = ["OFF\n"]
pause = "1 ms"
poll = [{ send = "COUN?;THIC?\n", every = "2 ms" }]
timeout = "40 ms"
[protocol]
terminator = "\n"
separator = ";"
columns = [{ is = "counts", axis = "scan" }, { is = "thickness", unit = "mm", no_echo = [9.91e37] }]
"""


class Counter:
    """Answers each query with a place 0.2 mm further and a thickness; leaves some of them out."""

    leaves_out = 25
    """Every so many."""

    def __init__(self, server: TcpServer) -> None:
        self.lines: list[bytes] = []
        self.ignored = 0
        self._server = server
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        client = self._server.accept()
        number, held = 0, b""
        while b"OFF" not in self.lines:
            try:
                data = client.recv(4096)
            except (TimeoutError, ConnectionError):
                return
            if not data:
                return
            *lines, held = (held + data).split(b"\n")
            for line in lines:
                self.lines.append(line)
                if line.endswith(b"?"):
                    number += 1
                    if number % self.leaves_out:
                        place = min(number * 2, 200)
                        self._answer(client, b"%d;%+.3E\n" % (place, 10 + place / 100))
                    else:
                        self.ignored += 1

    def _answer(self, client: socket.socket, answer: bytes) -> None:
        try:
            client.sendall(answer)
        except OSError:  # the other side has gone
            return

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._thread.join()


@pytest.fixture
def counter(tmp_path: Path) -> Iterator[Counter]:
    """A counter behind TCP, and a station file for it."""
    (tmp_path / "counter.toml").write_text(COUNTER, "utf-8")
    with TcpServer() as server:
        (tmp_path / "station.toml").write_text(STATION.format(url=server.url), "utf-8")
        with Counter(server) as found:
            yield found


@pytest.mark.slow
def test_asked_device_is_scanned_journalled_and_rebuilt(counter: Counter, tmp_path: Path) -> None:
    """The plan is covered; each byte sent and each request without answer is in the journal."""
    process = DaemonProcess(tmp_path / "station.toml")
    try:
        code, output = process.finish()
    finally:
        process.close()
    assert code == 0, output
    with xr.open_zarr(tmp_path / "survey" / "survey.zarr") as arrays:
        thickness = arrays["thickness"].to_numpy().ravel()
    # The least reading of a cell is that of its first tenths.
    np.testing.assert_allclose(thickness, 10 + np.arange(21) / 10, atol=0.1)
    folder = SurveyFolder(tmp_path / "survey")
    entries = [entry for entry in read_journal(folder.journal) if isinstance(entry, Sent)]
    sent = [entry.data for entry in entries if not entry.unanswered]
    assert (sent[0], sent[-1]) == (b"ON\n", b"OFF\n")
    assert b"".join(sent).split(b"\n")[:-1] == counter.lines
    unanswered = [entry.data for entry in entries if entry.unanswered]
    # The last one may still have been under way.
    assert len(unanswered) >= counter.ignored - 1 > 0
    assert set(unanswered) == {b"COUN?;THIC?\n"}
    tally = replay(folder).tallies["counter"]
    assert tally.faults["unanswered"] == len(unanswered)
    assert str(tally.recent[-1]).endswith("no answer in time to b'COUN?;THIC?\\n' (b'')")


def test_check_listens_to_a_device_that_has_to_be_asked(counter: Counter, tmp_path: Path) -> None:
    """It is asked here, too."""
    counter.leaves_out = 1_000_000
    result = swathe("check", str(tmp_path / "station.toml"), "--seconds", "1")
    assert result.returncode == 0, result.stdout + result.stderr
    assert "thickness" in result.stdout
    assert counter.lines[0] == b"ON"


def test_listen_with_a_description_asks_and_tells(tmp_path: Path) -> None:
    """What was sent is in the summary; a device that answers nothing is told as such."""
    (tmp_path / "counter.toml").write_text(COUNTER, "utf-8")
    with TcpServer() as server, Counter(server) as counter:
        protocol = ("--protocol", str(tmp_path / "counter.toml"))
        result = swathe("listen", server.url, *protocol, "--plain", "--seconds", "1")
    assert "record 3: echo yes, thick mm 10.060, scan 6" in result.stdout, result.stdout
    assert "sent, the last 'COUN?;THIC?\\n'" in result.stderr
    assert "unanswered" in result.stderr
    assert counter.lines[-1] == b"OFF"
