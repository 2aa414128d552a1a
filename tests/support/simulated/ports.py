"""A port in simulated time: hands over what its device sends, in place of `PortReader`."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, MutableSequence
from typing import Any, NamedTuple, Self

from support.simulated.clock import SimulatedClock
from swathe_drivers import PortError, PortState

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
        room: set by the world: whether the hub takes bytes of this port.
        handed_over: bytes that the daemon was handed, with their times.
    """

    plug: Callable[[str, int], Iterable[Delivery]]

    def __init__(
        self,
        name: str,
        settings: Any,
        clock: SimulatedClock,
        *,
        on_chunk: Callable[[str, int, bytes], None],
        on_state: Callable[[str, int, PortState, str], None],
        **_: Any,
    ) -> None:
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
        self._task = asyncio.get_running_loop().create_task(self._deliver())
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
            self.read_at = self._clock.now
            if not delivery.data:  # what comes is made when its time has come
                continue
            self.bytes_read += len(delivery.data)
            self.handed_over.append((self._clock.now, delivery.data))
            self._on_chunk(self.name, self._clock.now, delivery.data)
