"""The port of a simulated crawler, at both ends of it, and the process that stops it."""

from __future__ import annotations

import os
import socket
from contextlib import suppress
from typing import Any, Protocol

from support.simulated.machine import Machine
from support.simulated.threads import SimulatedThread, Threads
from swathe_drivers import PortError, PortState
from swathe_drivers.motion import StopGuard, stop_process

__all__ = ["CrawlerPort", "CrawlerWorld", "GuardProcess", "MotionReader", "SimulatedGuard"]


class CrawlerWorld(Protocol):
    """What the two ends of the port require of the world.

    Attributes:
        machine: the simulated one.
        port: the crawler's.
        threads: of the daemon, and of the process that stops the crawler.
        guards: threads that are that process.
        dead: whether the daemon was killed: what its code does while it is thrown away has no effect.
    """

    machine: Machine
    port: CrawlerPort
    threads: Threads
    guards: list[SimulatedThread]
    dead: bool


class CrawlerPort:
    """A port in memory; has what the simulators' machine uses of theirs."""

    address = "socket://crawler:1"

    def __init__(self) -> None:
        self.plugged = True
        self.reader: MotionReader | None = None
        self.inbox = bytearray()
        self.ours, self.theirs = socket.socketpair()
        self.ours.setblocking(False)

    def open(self) -> None:
        """Is open as long as it is plugged."""

    def close(self) -> None:
        """Is open as long as it is plugged."""

    def service(self) -> bool:
        """Take what the process that stops the machine has written."""
        with suppress(BlockingIOError):
            data = self.ours.recv(4096)
            if self.plugged:
                self.inbox += data
        return self.plugged

    def take(self) -> bytes:
        """Return what was written to the machine."""
        data, self.inbox = bytes(self.inbox), bytearray()
        return data

    def write(self, data: bytes) -> int:
        """Answer."""
        if self.plugged and self.reader is not None:
            self.reader.receive(data)
        return len(data)


class MotionReader:
    """Has what `MotionPort` uses of `PortReader`; at the port of the newest world."""

    world: CrawlerWorld

    def __init__(self, name: str, settings: Any, *, on_chunk: Any, on_state: Any, **_: Any) -> None:
        self.name, self.settings = name, settings
        self._on_chunk, self._on_state = on_chunk, on_state
        self.state = PortState.CLOSED
        self.open_error: PortError | None = None
        self.bytes_read = 0

    def start(self) -> None:
        """Begin to open the port."""
        self.world.port.reader = self
        self._enter(PortState.OPENING, "opening")
        self.plug()

    def plug(self) -> None:
        """The port is there."""
        if self.state is not PortState.CLOSED and self.world.port.plugged:
            self._enter(PortState.OPEN, "is open")

    def unplug(self) -> None:
        """The port is gone."""
        if self.state is PortState.OPEN:
            self._enter(PortState.LOST, "unplugged")

    def close(self) -> None:
        """Close the port."""
        if self.state is not PortState.CLOSED:
            self._enter(PortState.CLOSED, "closed by the user")

    def receive(self, data: bytes) -> None:
        """Hand over what the machine answers."""
        if self.state is PortState.OPEN and not self.world.dead:
            self.bytes_read += len(data)
            self._on_chunk(self.name, self.world.machine.clock.now, data)

    def write_some(self, data: bytes) -> int:
        """Send; all of it fits."""
        self._check()
        if not self.world.dead:
            self.world.port.inbox += data
        return len(data)

    def discard_output(self) -> bool:
        """Take back what is not on the line yet: there is nothing."""
        self._check()
        return False

    def duplicate(self) -> int:
        """Return a descriptor for the process that stops the machine."""
        self._check()
        return os.dup(self.world.port.theirs.fileno())

    def _check(self) -> None:
        if self.state is not PortState.OPEN:
            raise PortError(self.settings.url, "is not open, nothing was written")

    def _enter(self, state: PortState, detail: str) -> None:
        self.state = state
        self._on_state(self.name, self.world.machine.clock.now, state, detail)


class GuardProcess:
    """Has what `StopGuard` uses of its process: the code of that process in a thread of its own."""

    pid = 0

    def __init__(self, thread: SimulatedThread, world: CrawlerWorld) -> None:
        self._thread, self._world = thread, world

    def poll(self) -> int | None:
        """Return None while it is there."""
        return None if self._thread.is_alive() else 0

    def wait(self, seconds: float | None = None) -> None:
        """Wait for its end; nobody does who was killed."""
        del seconds
        if not self._world.dead:
            self._thread.join()

    def kill(self) -> None:
        """End it."""
        self._thread.gone = True


class SimulatedGuard(StopGuard):
    """A guard whose process is a thread in simulated time, with that process's own code."""

    world: CrawlerWorld

    def start(self) -> None:
        """Start the process."""
        if self.alive:
            return
        self.close()
        ours, theirs = socket.socketpair()
        guard = stop_process._Guard(theirs, self._seconds)

        def run() -> None:
            with theirs:
                guard.run()

        thread = SimulatedThread(self.world.threads, target=run, name="stop process")
        self.world.guards.append(thread)
        thread.start()
        self._process = GuardProcess(thread, self.world)  # type: ignore[assignment]
        ours.setblocking(False)
        with self._lock:
            self._control, self._sent, self._moves = ours, 0, False

    def beat(self, *, moves: bool) -> None:
        """Give a sign of life."""
        if not self.world.dead:
            super().beat(moves=moves)

    def take_port(self) -> None:
        """Have the process close the port."""
        if not self.world.dead:
            super().take_port()
