"""A device at its port: lines wait here until they are due, and are written."""

from __future__ import annotations

import math
import time
from collections import deque
from dataclasses import dataclass

import numpy as np

from swathe_simulators.device import Device, SampleBatch
from swathe_simulators.ports import Port
from swathe_simulators.trajectory import Trajectory
from swathe_simulators.truth import ROW, TruthLog


@dataclass(frozen=True, slots=True)
class DeviceInfo:
    """What a user needs to know to plug a device in.

    Attributes:
        name: of the device.
        kind: encoder, gauge or combined.
        port: path of a pseudo terminal's symlink, or `socket://host:port`.
        baud: of the line, None on TCP if it is not limited.
        rate_hz: lines or blocks per world second.
        example: a line as it is sent, without its line end; of a block its first bytes, as
            hexadecimal digits.
        columns: names and units of the line's columns or the block's fields.
    """

    name: str
    kind: str
    port: str
    baud: int | None
    rate_hz: float
    example: str
    columns: tuple[str, ...]


class Outlet:
    """Ties one device to its port and tells the truth log what became of every line.

    Only the world's serving thread calls its methods once the world runs.
    """

    def __init__(self, device: Device, port: Port, truth: TruthLog) -> None:
        self.device = device
        self.port = port
        self._truth = truth
        self._name = device.model.name
        self._queue: deque[SampleBatch] = deque()
        self._injections: deque[tuple[float, bytes]] = deque()
        self._plugged = False
        self._back_at = math.inf

    def describe(self, trajectory: Trajectory) -> DeviceInfo:
        """Return what is plugged in here; the port is real once it has been opened."""
        model = self.device.model
        return DeviceInfo(
            name=model.name,
            kind=model.kind,
            port=self.port.address,
            baud=model.port.baud,
            rate_hz=model.rate_hz,
            example=self.device.example(trajectory),
            columns=tuple(self.device.columns()),
        )

    def plug(self) -> None:
        """Open the port, unless it is open."""
        if not self._plugged:
            self.port.open()
        self._plugged, self._back_at = True, math.inf

    def unplug(self, back_at: float = math.inf) -> None:
        """Close the port until `plug`, or until `time.monotonic()` is `back_at`."""
        self.port.close()
        self._plugged, self._back_at = False, back_at

    def listened(self) -> bool:
        """Whether the port is open and somebody listens to it."""
        if self._back_at <= time.monotonic():
            self.plug()
        return self._plugged and self.port.service()

    def schedule(self, at_s: float, data: bytes) -> None:
        """Have foreign bytes written at a world time; call in the order of time."""
        self._injections.append((at_s, data))

    def produce(self, until_s: float, trajectory: Trajectory, start_s: float | None) -> None:
        """Make the device's lines up to a world time; see `Device.produce`."""
        batch = self.device.produce(until_s, trajectory, start_s)
        if batch.lines:
            self._queue.append(batch)

    def serve(self, now_s: float) -> None:
        """Write everything that is due at a world time, in its order."""
        while self._injections and self._injections[0][0] <= now_s:
            when, data = self._injections.popleft()
            self._deliver(when)
            self.write_foreign(data)
        self._deliver(now_s)

    def write_foreign(self, data: bytes) -> None:
        """Write bytes that are no line of the device."""
        taken = self.port.write(data) if self._plugged else 0
        self._truth.append(self._name, np.zeros(0, dtype=ROW), dropped_bytes=len(data) - taken)

    def _deliver(self, until_s: float) -> None:
        while self._queue:
            batch = self._queue[0]
            end = int(np.searchsorted(batch.rows["due_s"], until_s, side="right"))
            if end <= batch.done:
                return
            rows = batch.rows[batch.done : end]
            data = b"".join(batch.lines[batch.done : end])
            rows["host_time_ns"] = time.monotonic_ns()
            taken = self.port.write(data) if self._plugged else 0
            # A line that was cut is as lost as those after it.
            rows["dropped"] = np.cumsum(rows["length"]) > taken
            self._truth.append(self._name, rows, dropped_bytes=len(data) - taken)
            batch.done = end
            if end == len(batch.lines):
                self._queue.popleft()
