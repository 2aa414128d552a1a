"""A device that floods, over a real network port: bounded memory, an alarm, and the other device unharmed."""

from __future__ import annotations

import contextlib
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.handmade import line, station_text
from support.daemon import DaemonProcess, swathe, wait_for
from swathe.journal import Chunk, Mark, read_journal
from swathe.store import read_survey_record

pytestmark = pytest.mark.slow

Start = Callable[..., DaemonProcess]

MOST_SENT = 200_000_000
"""Bytes after which the flood ends by itself; the daemon reads a few MB of them."""


class Peer:
    """A device behind a TCP port: sends what `pieces` yields, as fast as it is taken."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self.sent = bytearray()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            connection, _ = self._server.accept()
            with connection, contextlib.suppress(OSError):
                for piece in self._pieces:
                    connection.sendall(piece)
                    self.sent += piece

    def close(self) -> None:
        """End; the daemon has closed its end before, or never came."""
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(20)
        assert not self._thread.is_alive()


def steady(stop: threading.Event) -> Iterator[bytes]:
    """Yield a position each 10 ms, within the first half of the scan."""
    k = 0
    while not stop.wait(0.01):
        yield line(f"P,{10 * k},{k % 100}")
        k += 1


def flood(piece: bytes, begin: threading.Event) -> Iterator[bytes]:
    """Yield a reading, and then a flood."""
    yield line("R,0,4.700000,E")
    begin.wait(60)
    for _ in range(MOST_SENT // len(piece)):
        yield piece


@pytest.mark.parametrize(
    "piece",
    [
        pytest.param(b"x\r\n" * 20_000, id="lines"),
        pytest.param(b"7" * 60_000, id="endless line"),
    ],
)
def test_flood_costs_its_own_device_only(daemon: Start, tmp_path: Path, piece: bytes) -> None:
    """Bounded memory, alarm, count at the decoder; every position journalled; SIGTERM; rebuild equal."""
    stop, begin = threading.Event(), threading.Event()
    with contextlib.ExitStack() as stack:
        encoder, gauge = Peer(steady(stop)), Peer(flood(piece, begin))
        for peer in (gauge, encoder):
            stack.callback(peer.close)
        stack.callback(stop.set)
        stack.callback(begin.set)
        text = station_text().replace('"ports/encoder"', f'"{encoder.address}"')
        station = tmp_path / "station.toml"
        station.write_text(text.replace('"ports/gauge"', f'"{gauge.address}"'))
        survey = tmp_path / "bench"
        process = daemon(station)

        def received() -> dict[str, bytes]:
            found = {"encoder": b"", "gauge": b""}
            for entry in read_journal(survey / "journal"):
                if isinstance(entry, Chunk):
                    found[entry.port] += entry.data
            return found

        def alarmed_in() -> bool:
            marks = [e for e in read_journal(survey / "journal") if isinstance(e, Mark)]
            return any(mark.detail.get("about") == "device floods" for mark in marks)

        wait_for((survey / "survey.json").exists, 60, "the run")
        wait_for(lambda: len(encoder.sent) > 1000, 60, "positions")
        before = peak_memory(process.pid)
        begin.set()
        wait_for(alarmed_in, 60, "the alarm")
        alarmed = len(encoder.sent)
        wait_for(lambda: len(encoder.sent) > alarmed + 1000, 60, "positions during the flood")
        wait_for(lambda: len(received()["encoder"]) > alarmed + 500, 60, "them in the journal")
        assert peak_memory(process.pid) - before < 64 << 20
        process.signal(signal.SIGTERM)
        code, output = process.finish()
        assert code == 3, output
    found = received()
    # Every byte in its order, of both; what the flooding device was not allowed to send is missing.
    assert found["encoder"] == encoder.sent[: len(found["encoder"])]
    assert len(found["encoder"]) > alarmed + 500
    begun = line("R,0,4.700000,E")
    assert found["gauge"].startswith(begun + piece)
    assert (
        found["gauge"]
        == (begun + piece * (len(found["gauge"]) // len(piece) + 1))[: len(found["gauge"])]
    )
    assert len(found["gauge"]) < MOST_SENT / 4
    record = read_survey_record(survey / "survey.json")
    tallies = {port.device: port for port in record.ports}
    assert (tallies["encoder"].undecoded, tallies["encoder"].faults) == (0, {})
    assert tallies["encoder"].positions == found["encoder"].count(b"\n")
    assert tallies["gauge"].undecoded > 256_000
    floods = [alarm for alarm in record.alarms if str(alarm.kind) == "device floods"]
    assert floods
    assert {alarm.device for alarm in floods} == {"gauge"}
    live = (survey / "survey.json").read_bytes()
    result: subprocess.CompletedProcess[str] = swathe("rebuild", survey, "--no-picture")
    assert result.returncode == 0, result.stderr
    assert (survey / "survey.json").read_bytes() == live


def peak_memory(pid: int) -> int:
    """Return the most memory that a process has had, bytes."""
    status = Path(f"/proc/{pid}/status").read_text()
    (text,) = (row for row in status.splitlines() if row.startswith("VmHWM"))
    return int(text.split()[1]) << 10
