"""A probe that is moved to and fro along a strip, and what its encoder and gauge send of it.

Each reading has a thickness of its own, so that a cell's value says which readings it can be of.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, MutableSequence
from dataclasses import dataclass, field
from functools import reduce
from random import Random

from support.simulated.clock import START_NS
from support.simulated.ports import Delivery
from swathe_drivers import PortState

__all__ = [
    "MS",
    "PORT_FAULTS",
    "RESOLUTION_MM",
    "PortFault",
    "Strip",
    "Truth",
    "checked",
    "station_text",
]

LENGTH_MM = 24.0
RESOLUTION_MM = 2.0
_COUNTS_PER_MM = 10
MS = 1_000_000

_TEXT = f"""\
name = "strip"
[survey]
folder = "survey"
[scan]
length = "{{length}} mm"
resolution = "{RESOLUTION_MM} mm"
device = "encoder"
counts_per_mm = {_COUNTS_PER_MM}
{{keeps}}
max_speed = "1 m/s"
[store]
checkpoint = "{{checkpoint}}"
[device.encoder]
port = "socket://encoder:1"
on_change = {{on_change}}
[device.encoder.protocol]
columns = [{{is="constant", text="P"}}, {{is="device_time", unit="ms"}}, {{is="counts", axis="scan"}}]
checksum = {{kind="xor", after="*"}}
[device.gauge]
port = "socket://gauge:1"
[device.gauge.protocol]
columns = [
  {{is="constant", text="R"}},
  {{is="device_time", unit="ms"}},
  {{is="thickness", unit="mm"}},
  {{is="status", valid=["E"], invalid=["N"]}},
]
checksum = {{kind="xor", after="*"}}
{{talk}}
"""
_TALK = """\
[device.gauge.talk]
poll = [{send = "M?", every = "15 ms"}]
timeout = "40 ms"
"""


def station_text(
    *,
    keeps_count: bool = True,
    on_change: bool = False,
    polled: bool = False,
    length: float = LENGTH_MM,
    checkpoint: str = "200 ms",
) -> str:
    """Return the station file; `keeps_count` and `on_change` of its encoder, `length` in mm of the plan.

    A gauge that is `polled` sends no time.
    """
    keeps = f"keeps_count = {str(keeps_count).lower()}"
    text = _TEXT.replace("{keeps}", keeps).replace("{length}", f"{length}")
    text = text.replace("{on_change}", str(on_change).lower())
    text = text.replace("{talk}", _TALK if polled else "")
    if polled:
        text = text.replace('text="R"},\n  {is="device_time", unit="ms"},', 'text="R"},')
    return text.replace("{checkpoint}", checkpoint)


PORT_FAULTS = (
    "bytes dropped",
    "bytes doubled",
    "bytes corrupted",
    "bytes delayed",
    "flood",
    "endless line",
    "unplugged",
    "device restarted",
)


@dataclass(frozen=True, slots=True)
class PortFault:
    """A fault of one port, from `begin` to `end`, ms of host time after the start."""

    kind: str
    port: str
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Truth:
    """A valid reading: its time in ms after the start, place in mm, thickness in mm."""

    ms: int
    at: float
    thickness: float


@dataclass
class Strip:
    """The world of one survey: motion, devices, and what is wrong with their lines.

    Args:
        random: decides jitter, pieces and damage.
        faults: of the ports.
        speed: of the probe, mm/s.
        length: over which it is moved, mm.
        sample_ms: between two samples of the encoder, ms.
        reading_ms: between two readings, ms.
        damaged: share of the lines that a fault of their bytes damages.

    Attributes:
        truth: readings that were made.
        without_echo: places of the probe where one was made without an echo, mm.
        asked: requests to the gauge, where it is polled.
    """

    random: Random
    faults: list[PortFault]
    speed: float = 60.0
    length: float = LENGTH_MM
    sample_ms: int = 10
    reading_ms: int = 15
    truth: MutableSequence[Truth] = field(default_factory=list)
    damaged: float = 0.5
    without_echo: MutableSequence[float] = field(default_factory=list)
    asked: int = 0

    def at(self, ms: int) -> float:
        """Return the probe's place, mm."""
        way = (self.speed * ms / 1000) % (2 * self.length)
        return 2 * self.length - way if way > self.length else way

    def counted(self, ms: int) -> int:
        """Return the encoder's count there."""
        return round(_COUNTS_PER_MM * self.at(ms))

    def deliveries(self, port: str, since_ns: int) -> Iterator[Delivery]:
        """Yield what happens at a port from a host time on, without end."""
        step = self.sample_ms if port == "encoder" else self.reading_ms
        first = -(-(since_ns - START_NS) // (step * MS)) * step
        before = 0
        reported: set[PortFault] = set()
        doing: list[PortFault] = []
        ms = first
        while True:
            here = [one for one in self.faults if one.port == port and one.begin <= ms < one.end]
            kinds = {one.kind for one in here}
            for one in doing:
                if one not in here and one.kind == "unplugged":
                    yield Delivery(
                        START_NS + ms * MS, state=PortState.OPEN, detail="is open as ttyUSB7"
                    )
            line = self._line(port, ms)
            time = max(before, START_NS + ms * MS + self.random.randrange(2 * MS))
            for one in here:
                if one not in reported:
                    reported.add(one)
                    if one.kind == "unplugged":
                        yield Delivery(time, state=PortState.LOST, detail="unplugged")
                    elif one.kind in ("flood", "endless line"):
                        yield from self._noise(one.kind, time)
            doing = here
            if "bytes delayed" in kinds:
                end = max(one.end for one in here if one.kind == "bytes delayed")
                time = max(time, START_NS + end * MS)
            before = time
            if "unplugged" not in kinds:
                yield from self._pieces(time, self._damaged(line, kinds))
            ms += step

    def outages(self, port: str, since_ns: int) -> list[Delivery]:
        """Return what happens at the port of a device that only answers, but for its answers."""
        found: list[Delivery] = []
        for one in self.faults:
            begin, end = (START_NS + ms * MS for ms in (one.begin, one.end))
            if one.port != port or end <= since_ns:
                continue
            if one.kind == "unplugged" and begin >= since_ns:
                found.append(Delivery(begin, state=PortState.LOST, detail="unplugged"))
                found.append(Delivery(end, state=PortState.OPEN, detail="is open as ttyUSB7"))
            elif one.kind in ("flood", "endless line") and begin >= since_ns:
                found += self._noise(one.kind, begin)
        return sorted(found, key=lambda one: one.time)

    def answer(self, port: str, asked_ns: int) -> list[Delivery]:
        """Return what the gauge answers to a request at a host time: a reading made since then."""
        random = self.random
        latency = random.randrange(2 * MS, 6 * MS)
        taken = asked_ns + random.randrange(latency)
        ms = (taken - START_NS) // MS
        here = [one for one in self.faults if one.port == port and one.begin <= ms < one.end]
        kinds = {one.kind for one in here}
        self.asked += 1
        if "bytes dropped" in kinds and random.random() < 0.2:
            return []  # all of them
        time = asked_ns + latency
        if "bytes delayed" in kinds and random.random() < 0.5:
            # Behind the time-out: within it the moment would only be less certain. Later than two
            # time-outs it could be the answer to the next request as well.
            time += random.randrange(40 * MS, 70 * MS)
        line = self._damaged(self._reading(self.asked, ms), kinds)
        return list(self._pieces(time, line))

    def _line(self, port: str, ms: int) -> bytes:
        restarts = [
            one.begin
            for one in self.faults
            if one.kind == "device restarted" and one.port == port and one.begin <= ms
        ]
        shown = ms - max(restarts) if restarts else ms + 5_000
        if port == "encoder":
            counts = self.counted(ms)
            if restarts:  # the counter begins at zero where it is
                counts -= self.counted(max(restarts))
            return checked(f"P,{shown},{counts}")
        return self._reading(ms // self.reading_ms, ms, f"{shown},")

    def _reading(self, number: int, ms: int, shown: str = "") -> bytes:
        if number % 23 == 22:
            self.without_echo.append(self.at(ms))
            return checked(f"R,{shown}0.0000,N")
        thickness = round(9 + 0.05 * math.floor(self.at(ms)), 2) + number % 400 * 1e-4
        self.truth.append(Truth(ms, self.at(ms), round(thickness, 4)))
        return checked(f"R,{shown}{thickness:.4f},E")

    def _damaged(self, line: bytes, kinds: set[str]) -> bytes:
        random = self.random
        if "bytes doubled" in kinds and random.random() < 0.5:
            line += line
            if line.startswith(b"R") and b",E*" in line:
                self.truth.append(self.truth[-1])  # it was sent twice: no line says that it is one
        if "bytes dropped" in kinds and random.random() < self.damaged:
            while True:
                begin = random.randrange(len(line))
                dropped = line[:begin] + line[begin + 1 + random.randrange(6) :]
                if not _passes(dropped):
                    line = dropped
                    break
        if "bytes corrupted" in kinds and random.random() < self.damaged:
            where = random.randrange(len(line) - 2)  # one byte of a line is always noticed
            line = (
                line[:where] + bytes([line[where] ^ random.randrange(1, 256)]) + line[where + 1 :]
            )
        return line

    def _noise(self, kind: str, time: int) -> Iterator[Delivery]:
        for number in range(20):
            data = self.random.randbytes(1500)
            if kind == "endless line":
                data = data.replace(b"\n", b"x").replace(b"\r", b"y")
            yield Delivery(time + number * 100_000, data.replace(b"*", b"z"))

    def _pieces(self, time: int, data: bytes) -> Iterator[Delivery]:
        if self.random.random() < 0.2 and len(data) > 1:
            cut = self.random.randrange(1, len(data))
            yield Delivery(time, data[:cut])
            yield Delivery(time + self.random.randrange(MS), data[cut:])
        else:
            yield Delivery(time, data)


def checked(body: str) -> bytes:
    """Return a line with its checksum and end."""
    check = reduce(lambda sum_, byte: sum_ ^ byte, body.encode(), 0)
    return f"{body}*{check:02X}\r\n".encode()


def _passes(line: bytes) -> bool:
    """Return whether a line that was damaged could be taken for a right one."""
    body, star, rest = line.rpartition(b"*")
    if not line:
        return True  # nothing is left to notice, but for the gap in the times
    check = reduce(lambda sum_, byte: sum_ ^ byte, body, 0)
    # Without its end the line runs into the next one, whose own checksum then is not theirs.
    return bool(star) and rest[:2] == f"{check:02X}".encode()
