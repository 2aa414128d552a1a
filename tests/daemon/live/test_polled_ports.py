"""Polled devices on real ports, a terminal and TCP, with answers that are late, lost or doubled.

What a device sends is the time at which it measured, so that each reading shows whether its time is
right: the moment was between request and answer, however busy the machine is.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from threading import Event, Thread

import numpy as np
import pytest

from daemon.polled import KINDS, Answers, Faults, Kind, driver_table
from drivers.doubles import PATIENCE, PtyPort, TcpServer
from swathe.journal import Chunk, PortChange, Sent
from swathe.live.listening import listen_all
from swathe.live.ports import PortHub
from swathe.pipeline import DeviceTally
from swathe.pipeline.placing.device import DeviceLink
from swathe.station import Station, decoder_of, parse_station, polling_of

STATION = """name = "bench"
[survey]
folder = "bench"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[device.encoder]
port = "socket://127.0.0.1:9"
protocol.columns = [{{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "{url}"
{gauge}timeout = "300 ms"
"""
SIZES = {"text": 4, "rtu": 8, "tcp": 12}
"""Bytes of a request."""


class FaultyDevice:
    """Answers over a port, in a thread, until the other end is gone."""

    def __init__(self, kind: Kind, port: PtyPort | TcpServer) -> None:
        self.begin = time.monotonic_ns()
        self._kind = kind
        self._port = port
        self._over = Event()
        self._coming: list[tuple[int, bytes]] = []
        # Of a foreign answer in place of a lost one only a transaction shows that it is foreign.
        faults = Faults(late=0.1, lost=0.05, doubled=0.1, foreign=0.1 if kind == "tcp" else 0.0)
        # Late by half a time-out at the most: the rest is for a busy machine.
        self._answers = Answers(self.age, Random(2), share=0.5, faults=faults, timeout=225.0)
        self._threads = [Thread(target=self._hear), Thread(target=self._send)]
        for thread in self._threads:
            thread.start()

    def age(self, at: int) -> float:
        """What it measures: hundredths of a millisecond for each millisecond since its beginning."""
        return round((at - self.begin) / 1e8 + 100, 7)

    def _receive(self) -> bytes:
        """Return what came; nothing while no one has the port open."""
        try:
            if isinstance(self._port, PtyPort):
                return self._port.receive()
            return (self._port.client or self._port.accept()).recv(4096)
        except OSError:
            time.sleep(0.01)
            return b""

    def _hear(self) -> None:
        held = b""
        while not self._over.is_set():
            data = self._receive()
            if not data and isinstance(self._port, TcpServer):
                return
            held += data
            while len(held) >= SIZES[self._kind]:
                request, held = held[: SIZES[self._kind]], held[SIZES[self._kind] :]
                self._coming += self._answers.arrivals(request, time.monotonic_ns())

    def _send(self) -> None:
        while not self._over.is_set():
            now = time.monotonic_ns()
            due = sorted(one for one in self._coming if one[0] <= now)
            for one in due:
                self._coming.remove(one)
                try:
                    if isinstance(self._port, PtyPort):
                        self._port.send(one[1])
                    elif self._port.client is not None:
                        self._port.client.sendall(one[1])
                except OSError:
                    return
            time.sleep(0.001)

    def close(self) -> None:
        """End both threads; the port that was read is closed."""
        self._over.set()
        for thread in self._threads:
            thread.join(PATIENCE)


@contextmanager
def polled(kind: Kind, path: Path) -> Iterator[tuple[Station, FaultyDevice]]:
    """A device behind a real port, and the station that polls it."""
    far = TcpServer() if kind == "tcp" else PtyPort(path / "gauge")
    with far:
        url = far.url if isinstance(far, TcpServer) else str(far.link)
        text = STATION.format(url=url, gauge=driver_table(kind, "thickness"))
        device = FaultyDevice(kind, far)
        try:
            yield parse_station(text, "bench.toml"), device
        finally:
            if isinstance(far, TcpServer):
                far.hang_up()
            device.close()


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_each_reading_was_taken_within_its_bound(kind: Kind, tmp_path: Path) -> None:
    """No answer is taken for that to another request; there are all kinds of faults."""
    with polled(kind, tmp_path) as (station, device):
        gauge = station.device["gauge"]
        link = DeviceLink(
            decoder=decoder_of(gauge),
            delay_ns=0,
            tally=DeviceTally(),
            polling=polling_of(gauge),
        )

        def take(entry: Chunk | PortChange) -> None:
            if isinstance(entry, Chunk):
                link.take(entry.data, entry.time)

        def sent(entry: Sent) -> None:
            if entry.unanswered:
                link.give_up(entry.time)
            else:
                link.send(entry.data, entry.time)

        hub = PortHub(station.model_copy(update={"device": {"gauge": gauge}}))
        errors: list[float] = []
        bounds: list[float] = []
        end = time.monotonic() + 4 * PATIENCE  # a busy machine answers late
        with hub:
            while len(errors) < 60 or not {"late", "foreign"} <= set(link.tally.faults):
                assert time.monotonic() < end, f"{len(errors)} readings, {link.tally.faults}"
                time.sleep(0.01)
                hub.drain(take, sent)
                batch = link.decode()
                if batch is None or not batch.readings.size:
                    continue
                truth = (batch.readings["thickness"] - 100) * 1e8 + device.begin
                errors += (batch.readings["time"] - truth).tolist()
                bounds += (batch.readings_timing.uncertainty * 3**0.5).tolist()
    # The numbers are sent to 10 ns.
    off = np.abs(errors) - np.array(bounds)
    assert off.max() <= 100, (np.array(errors)[off > 100], np.array(bounds)[off > 100])


def test_check_shows_the_moment_and_how_far_it_may_be_off(tmp_path: Path) -> None:
    """By the latencies that it saw."""
    with polled("text", tmp_path) as (station, _):
        only = station.model_copy(update={"device": {"gauge": station.device["gauge"]}})
        (report,) = listen_all(only, 2.0)
    (line,) = [line for line in report.lines if line.startswith("answers")]
    found = re.fullmatch(
        r"answers ([\d.]+) to ([\d.]+) ms \(median ([\d.]+)\) after their requests: taken in the middle"
        r" between \(taken_at\), off by up to ([\d.]+) ms",
        line,
    )
    assert found is not None, line
    low, high, middle, off = map(float, found.groups())
    assert low <= middle <= high
    assert off == pytest.approx(high / 2, abs=0.11)
    assert any("fault at" in line for line in report.lines)
