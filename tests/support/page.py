"""The page on a real port, served for a daemon that a test plays."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
from base64 import b64decode
from collections.abc import Callable
from http.client import HTTPConnection, HTTPResponse
from types import TracebackType
from typing import Any, Self, TypeVar
from urllib.request import urlopen

import numpy as np
from numpy.typing import NDArray

from swathe.messages import CommandMessage, ReplyMessage, StretchSnapshot, moment
from swathe.page import BrokerHealth, HandGuidance, Opening, Page
from swathe.page.hub import Hub
from swathe.pipeline import CellState, Grid
from swathe.pipeline.gauge_state import GaugeState
from swathe.station import PageSettings, Station, parse_station

__all__ = ["Events", "PlayedSource", "ServedPage", "reachable", "read_patch", "station_of_size"]

T = TypeVar("T")

_STATION = """
name = "bench"
[survey]
folder = "survey"
part = "Penstock 3"
nominal_thickness = "14 mm"
alert_below = "8 mm"
[scan]
length = "{columns} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[index]
length = "{rows} mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "ports/encoder"
protocol.columns = [{{ is = "counts", axis = "scan" }}, {{ is = "counts", axis = "index" }}]
[device.gauge]
port = "ports/gauge"
protocol.columns = [{{ is = "time_of_flight", unit = "us" }}]
"""


def station_of_size(rows: int, columns: int, *, tables: str = "") -> Station:
    """Return a station with so many cells of 1 mm, and some more tables."""
    text = _STATION.format(rows=rows - 1, columns=columns - 1)
    return parse_station(text + tables, "bench.toml")


class PlayedSource:
    """A daemon as the page sees it, played by a test."""

    def __init__(
        self, rows: int = 40, columns: int = 60, *, station: Station | None = None
    ) -> None:
        self.station = station or station_of_size(rows, columns)
        self.survey = "s-1"
        self.grid = Grid(
            scan=self.station.scan_axis,
            index=self.station.index_axis,
            rule=self.station.survey.cell_rule,
        )
        self.broker: BrokerHealth | None = BrokerHealth("127.0.0.1:1883", "connected", "")
        self.step: HandGuidance | None = None
        self.reading: GaugeState | None = None
        self.opening: Opening | None = None
        self.accepts = True
        self.stretches: list[StretchSnapshot] = []
        self.noted: list[tuple[int, str]] = []
        self.at: tuple[float | None, float | None] = (None, None)
        self.turned: float | None = 0.0
        self.messages: dict[str, bytes] = {}
        self.commands: list[CommandMessage] = []
        self._on_message: Callable[[str, bytes], None] | None = None
        self._on_cells: Callable[[NDArray[np.int64]], None] | None = None

    @property
    def watched(self) -> bool:
        """Whether a page watches."""
        return self._on_cells is not None

    def gauge(self) -> GaugeState | None:
        """Return the gauge's newest reading."""
        return self.reading

    def next_step(self) -> HandGuidance | None:
        """Return where to go by hand."""
        return self.step

    def notes(self) -> list[tuple[int, str]]:
        """Return the operators' notes."""
        return self.noted

    def affected(self, stretch: StretchSnapshot) -> str:
        """Note a stretch that was asked about."""
        self.stretches.append(stretch)
        return f"up to {len(self.stretches)} readings"

    def newest(self) -> dict[str, bytes]:
        """Return the newest messages."""
        return dict(self.messages)

    def position(self) -> tuple[float | None, float | None]:
        """Return the probe's position."""
        return self.at

    def heading(self) -> float | None:
        """Return by how much the carriage is turned."""
        return self.turned

    def watch(
        self,
        on_message: Callable[[str, bytes], None],
        on_cells: Callable[[NDArray[np.int64]], None],
    ) -> Callable[[], None]:
        """Take the page's ears."""
        self._on_message, self._on_cells = on_message, on_cells

        def end() -> None:
            self._on_message = self._on_cells = None

        return end

    async def execute(self, command: CommandMessage) -> ReplyMessage:
        """Note a command."""
        self.commands.append(command)
        return ReplyMessage(
            station="bench",
            survey="s-1",
            time=moment(10**18),
            id=command.id,
            accepted=self.accepts,
            detail="noted" if self.accepts else "refused: it is paused already",
        )

    def crawl(self, state: str, doing: str, **other: Any) -> None:
        """Change what the crawler does, as the station's message has it."""
        moving = state in ("homing", "moving")
        self.say("crawler", state=state, moving=moving, doing=doing, **{"todo": "", **other})

    def say(self, topic: str, **message: Any) -> None:
        """Change a topic's message."""
        self.messages[topic] = json.dumps(message, separators=(",", ":")).encode()
        if self._on_message is not None:
            self._on_message(topic, self.messages[topic])

    def remove(self, topic: str) -> None:
        """Let a topic have no message any more."""
        del self.messages[topic]
        if self._on_message is not None:
            self._on_message(topic, b"")

    def measure(self, cells: NDArray[np.int64], thickness: float = 14.0) -> None:
        """Measure cells."""
        self.grid.touched.add(cells)
        self.grid.state[cells] = CellState.MEASURED
        self.grid.hits[cells] += 1
        self.grid.thickness[cells] = thickness
        self.grid.last_time[cells] = 1_800_000_000_000_000_000
        row, column = divmod(int(cells[-1]), self.grid.shape[1])
        self.at = (float(column), float(row))
        if self._on_cells is not None:
            self._on_cells(cells)


class ServedPage:
    """The page on a free port of the loopback interface, in an event loop of its own thread."""

    def __init__(self, source: PlayedSource, settings: PageSettings | None = None) -> None:
        self.source = source
        self._settings = settings or PageSettings(port=0)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="page.loop")
        self.page: Page

    def __enter__(self) -> Self:
        self._thread.start()
        self.page = self.call(lambda: Page(self._settings, self.source))
        self.call(self.page.open)
        limit = time.monotonic() + 20
        while not self.source.watched:
            assert time.monotonic() < limit, "the page does not watch"
            time.sleep(0.01)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        asyncio.run_coroutine_threadsafe(self.page.close(), self._loop).result(20)
        left = self.call(lambda: [task.get_name() for task in asyncio.all_tasks(self._loop)])
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(20)
        self._loop.close()
        assert not [name for name in left if name.startswith("page.")], left

    def call(self, act: Callable[[], T]) -> T:
        """Do something in the page's loop and return what it returns."""

        async def run() -> T:
            return act()

        return asyncio.run_coroutine_threadsafe(run(), self._loop).result(20)

    @property
    def loop(self) -> asyncio.AbstractEventLoop:
        """The loop that serves it."""
        return self._loop

    @property
    def hub(self) -> Hub:
        """The page's hub."""
        return self.page._hub

    @property
    def port(self) -> int:
        """Its port."""
        return int(self.page.url.partition("#")[0].rpartition(":")[2].rstrip("/"))

    def ask(
        self,
        path: str,
        *,
        method: str = "GET",
        body: bytes | None = None,
        host: str | None = None,
        **headers: str,
    ) -> tuple[int, dict[str, str], bytes]:
        """Return status, headers and body of the answer to a request."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            connection.putheader("Host", host or f"127.0.0.1:{self.port}")
            if body is not None:
                connection.putheader("Content-Length", str(len(body)))
            for name, value in headers.items():
                connection.putheader(name.replace("_", "-"), value)
            connection.endheaders(body)
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def view(self, **headers: str) -> Events:
        """Return a viewer of the stream of events."""
        return Events(self.port, headers)


class Events:
    """Reads server-sent events from a real connection, as slowly as a test likes."""

    def __init__(
        self,
        port: int,
        headers: dict[str, str],
        *,
        buffer: int | None = None,
        path: str = "/events",
    ) -> None:
        self._connection = HTTPConnection("127.0.0.1", port, timeout=20)
        if buffer is not None:
            self._connection.sock = socket.socket()
            self._connection.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer)
            self._connection.sock.settimeout(20)
            self._connection.sock.connect(("127.0.0.1", port))
        self._connection.request("GET", path, headers=headers)
        self.answer: HTTPResponse = self._connection.getresponse()

    @property
    def status(self) -> int:
        """Of the answer."""
        return self.answer.status

    def next(self) -> tuple[str, Any] | None:
        """Return the next event's name and data; None at the end."""
        name = ""
        while raw := self.answer.readline():
            text = raw.decode().rstrip("\n")
            if text.startswith("event: "):
                name = text.removeprefix("event: ")
            elif text.startswith("data: "):
                return name, json.loads(text.removeprefix("data: "))
        return None

    def until(self, wanted: Callable[[str, Any], bool], most: int = 2000) -> Any:
        """Return the data of the first event that is wanted."""
        for _ in range(most):
            found = self.next()
            assert found is not None, "the stream ended"
            if wanted(*found):
                return found[1]
        message = f"not among {most} events"
        raise AssertionError(message)

    def close(self) -> None:
        """Leave."""
        self.answer.close()
        self._connection.close()


def read_patch(text: str) -> list[tuple[list[int], list[int], list[int]]]:
    """Return places, thicknesses and states of each level, read as `patch.py` describes them."""
    data = b64decode(text)
    levels = []
    at = 0
    while at < len(data):
        count = int.from_bytes(data[at : at + 4], "little")
        at += 4
        place = np.frombuffer(data, "<u4", count, at).tolist()
        thickness = np.frombuffer(data, "<u2", count, at + 4 * count).tolist()
        state = np.frombuffer(data, "u1", count, at + 6 * count).tolist()
        levels.append((place, thickness, state))
        at += -(-7 * count // 4) * 4
    return levels


def reachable(port: int) -> bool:
    """Return whether the page answers."""
    try:
        with urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False
