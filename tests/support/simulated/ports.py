"""A port in simulated time: hands over what its device sends, in place of `PortReader`."""

from __future__ import annotations

import asyncio
from bisect import insort
from collections.abc import Callable, Iterable, MutableSequence
from typing import Any, NamedTuple, Self

from support.simulated.clock import SimulatedClock
from swathe_drivers import PortError, PortState, Schedule

__all__ = ["Delivery", "SimulatedReader"]

_FULL_SECONDS = 0.01


class Delivery(NamedTuple):
    """What happens at a port at a host time, ns: bytes, or a change of its state with its reason."""

    time: int
    data: bytes = b""
    state: PortState | None = None
    detail: str = ""


class SimulatedReader:
    """Has what the daemon uses of `PortReader`.

    Attributes:
        plug: set by the world: returns the deliveries of a port from a host time on.
        ask: set by the world: returns what a device that only answers delivers after a request at a host time.
        room: set by the world: whether the hub takes bytes of this port.
        handed_over: bytes that the daemon was handed, with their times.
    """

    plug: Callable[[str, int], Iterable[Delivery]]
    ask: Callable[[str, int], Iterable[Delivery]]

    def __init__(
        self,
        name: str,
        settings: Any,
        clock: SimulatedClock,
        *,
        on_chunk: Callable[[str, int, bytes], None],
        on_state: Callable[[str, int, PortState, str], None],
        on_sent: Callable[[str, int, bytes, bool], None] | None = None,
        schedule: Schedule | None = None,
        **_: Any,
    ) -> None:
        self._on_sent = on_sent
        self._schedule = schedule
        self.name = name
        self.settings = settings
        self._clock = clock
        self._on_chunk = on_chunk
        self._on_state = on_state
        self.state = PortState.CLOSED
        self.stalls = self.reconnects = self.bytes_read = 0
        self.read_at: int | None = None
        self.open_error: PortError | None = None
        self.handed_over: MutableSequence[tuple[int, bytes]] = []
        self._task: asyncio.Task[None] | None = None

    def __enter__(self) -> Self:
        self._enter(PortState.OPENING, "opening")
        work = self._deliver() if self._schedule is None else self._talk(self._schedule)
        self._task = asyncio.get_running_loop().create_task(work)
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the port."""
        if self.state is not PortState.CLOSED:
            if self._task is not None:
                self._task.cancel()
            self._enter(PortState.CLOSED, "closed by the user")

    def write(self, data: bytes) -> None:  # noqa: ARG002
        """Refuse: these devices only speak."""
        raise PortError(self.settings.url, "is not open, nothing was written")

    def _enter(self, state: PortState, detail: str) -> None:
        self.state = state
        self.read_at = self._clock.now if state is PortState.OPEN else None
        self._on_state(self.name, self._clock.now, state, detail)

    async def _deliver(self) -> None:
        self._enter(PortState.OPEN, "is open")
        for delivery in type(self).plug(self.name, self._clock.now):
            if delivery.time > self._clock.now:
                await asyncio.sleep((delivery.time - self._clock.now) / 1e9)
            if delivery.state is not None:
                self._enter(delivery.state, delivery.detail)
                self.reconnects += delivery.state is PortState.OPEN
                continue
            self._hand_over(delivery.data)

    def _hand_over(self, data: bytes) -> None:
        self.read_at = self._clock.now
        if not data:  # what comes is made when its time has come
            return
        self.bytes_read += len(data)
        self.handed_over.append((self._clock.now, data))
        self._on_chunk(self.name, self._clock.now, data)

    async def _talk(self, schedule: Schedule) -> None:
        """Ask by the schedule, as a `PortReader` does, and hand over what is answered."""
        clock, coming = self._clock, list(type(self).plug(self.name, self._clock.now))
        self._enter(PortState.OPEN, "is open")
        schedule.opened(clock.now)
        while True:
            is_open = self.state is PortState.OPEN
            data = schedule.due(clock.now) if is_open else None
            self._report_unanswered(schedule)
            if data is not None and self._on_sent is not None:
                self._on_sent(self.name, clock.now, data, False)
                for answer in type(self).ask(self.name, clock.now):
                    insort(coming, answer, key=lambda one: one.time)
                continue
            waits = [coming[0].time - clock.now] if coming else [10_000_000]
            if is_open and (wait := schedule.wait_ns(clock.now)) is not None:
                waits.append(wait)
            await asyncio.sleep(max(min(waits), 50_000) / 1e9)
            while coming and coming[0].time <= clock.now:
                delivery = coming.pop(0)
                if delivery.state is PortState.LOST:
                    schedule.lost()
                    self._report_unanswered(schedule)
                if delivery.state is not None:
                    self._enter(delivery.state, delivery.detail)
                    if delivery.state is PortState.OPEN:
                        self.reconnects += 1
                        schedule.opened(clock.now)
                elif self.state is PortState.OPEN:
                    schedule.received(delivery.data, clock.now)
                    self._hand_over(delivery.data)

    def _report_unanswered(self, schedule: Schedule) -> None:
        for request in schedule.given_up():
            if self._on_sent is not None:
                self._on_sent(self.name, self._clock.now, request, True)
