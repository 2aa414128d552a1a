"""Polled devices in simulated time: the schedule of the drivers, and a device with every fault.

`poll` takes the place of a port's thread: it sends what the schedule has due to a device that answers
by its latency, and returns the journal. What a device measures is the position of the probe, so that
each value shows where it was taken.
"""

from __future__ import annotations

import struct
from bisect import insort
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from swathe.journal import Chunk, Entry, Sent
from swathe_drivers import Schedule
from swathe_drivers.rtu import with_crc

__all__ = ["KINDS", "SILENCE", "Answers", "Faults", "answer_to", "driver_table", "poll"]

MS = 1_000_000
Kind = Literal["text", "rtu", "tcp"]
KINDS: tuple[Kind, ...] = ("text", "rtu", "tcp")
SILENCE = "100 ms"
"""Time-out of the requests: longer than the longest latency in time."""


@dataclass(frozen=True)
class Faults:
    """Shares of the requests with which something is wrong.

    Attributes:
        late: the answer comes after its time-out.
        lost: there is no answer.
        doubled: the answer comes twice, the second one up to 30 ms later.
        foreign: an older value comes unasked, within 200 ms.
    """

    late: float = 0.0
    lost: float = 0.0
    doubled: float = 0.0
    foreign: float = 0.0


def driver_table(kind: Kind, what: Literal["thickness", "counts"]) -> str:
    """Return driver, protocol and requests of a device, for its table in a station file."""
    name = "gauge" if what == "thickness" else "encoder"
    if kind == "text":
        column = '"thickness", unit = "mm"' if what == "thickness" else '"counts", axis = "scan"'
        return (
            f"[device.{name}.protocol]\ncolumns = [{{ is = {column} }}]\n"
            f'[device.{name}.talk]\npoll = [{{ send = "M?\\r\\n", every = "20 ms" }}]\n'
        )
    number = "float64" if what == "thickness" else "int64"
    rest = 'unit = "mm"' if what == "thickness" else 'axis = "scan"'
    return (
        f'driver = "modbus"\n[device.{name}.protocol]\nframing = "{kind}"\nevery = "20 ms"\n'
        f'reads = [{{ fields = [{{ is = "{what}", register = 0, type = "{number}", {rest} }}] }}]\n'
        f"[device.{name}.talk]\n"
    )


def answer_to(request: bytes, value: float) -> bytes:
    """Return the answer of a device to a request; a whole number is sent as one."""
    if request == b"M?\r\n":
        return f"{value!r}\r\n".encode()
    form = ">q" if isinstance(value, int) else ">d"
    if len(request) == 8:
        return with_crc(request[:2] + b"\x08" + struct.pack(form, value))
    message = request[6:8] + b"\x08" + struct.pack(form, value)
    return request[:4] + len(message).to_bytes(2, "big") + message


@dataclass
class Answers:
    """A device that answers one request after the other.

    Attributes:
        measure: its value at a time, ns.
        rng: source of chance.
        share: when the value is taken: 0 at the request, 1 at the answer; None anywhere between.
        latency: shortest and longest, ms.
        faults: what goes wrong.
        timeout: of the requests, ms.
    """

    measure: Callable[[int], float]
    rng: Random
    share: float | None = None
    latency: tuple[float, float] = (2.0, 60.0)
    faults: Faults = field(default_factory=Faults)
    timeout: float = 100.0
    _free: int = 0

    def arrivals(self, request: bytes, now: int) -> list[tuple[int, bytes]]:
        """Return what a request at `now` makes the device send, and when that arrives, ns."""
        rng, faults = self.rng, self.faults
        found: list[tuple[int, bytes]] = []
        if rng.random() < faults.foreign:
            old = self.measure(now - round(rng.uniform(400, 900) * MS))
            found.append((now + round(rng.uniform(0, 200) * MS), answer_to(_foreign(request), old)))
        if rng.random() < faults.lost:
            return found
        begin = max(now, self._free)
        latency = rng.uniform(*self.latency)
        if rng.random() < faults.late:
            latency = self.timeout * rng.uniform(1.02, 1.95)
        share = rng.random() if self.share is None else self.share
        taken = begin + round(share * latency * MS) if share else now
        answer = answer_to(request, self.measure(taken))
        arrival = self._free = begin + round(latency * MS)
        found.append((arrival, answer))
        if rng.random() < faults.doubled:
            again = arrival + rng.choice((1, round(rng.uniform(0, 30) * MS)))
            found.append((again, answer))
        return found


def _foreign(request: bytes) -> bytes:
    """Return the request of somebody else; that of a serial line looks the same."""
    if request == b"M?\r\n" or len(request) == 8:
        return request
    return (int.from_bytes(request[:2], "big") ^ 0x3007).to_bytes(2, "big") + request[2:]


def poll(
    port: str, schedule: Schedule, device: Answers, *, begin: int, end: int, cut: float = 0.0
) -> list[Entry]:
    """Return the journal of a port from `begin` to `end`, ns.

    Args:
        port: name of the port.
        schedule: what is sent.
        device: answers.
        begin: when the port is opened.
        end: when nothing is sent any more.
        cut: share of the answers that come in two chunks.
    """
    entries: list[Entry] = []
    coming: list[tuple[int, bytes]] = []
    now = begin
    schedule.opened(now)
    while now < end:
        while coming and coming[0][0] <= now:
            _, data = coming.pop(0)
            if len(data) > 1 and device.rng.random() < cut:
                at = device.rng.randrange(1, len(data))
                rest = now + round(device.rng.uniform(0, 3) * MS)
                # What comes meanwhile comes behind it: nothing is sent into a message.
                coming = sorted((max(arrival, rest + 1), more) for arrival, more in coming)
                insort(coming, (rest, data[at:]))
                data = data[:at]
            schedule.received(data, now)
            entries.append(Chunk(now, port, data))
        request = schedule.due(now)
        entries += [Sent(now, port, given_up, True) for given_up in schedule.given_up()]
        if request is not None:
            entries.append(Sent(now, port, request))
            for arrival in device.arrivals(request, now):
                insort(coming, arrival)
            continue
        wait = schedule.wait_ns(now)
        times = [arrival for arrival, _ in coming[:1]]
        times += [] if wait is None else [now + wait]
        now = max(now + 1, min(times)) if times else end
    return entries
