"""Simulated time: an event loop whose clock jumps to the next timer."""

from __future__ import annotations

import asyncio
import selectors
from typing import Any

__all__ = ["HungError", "SimulatedClock", "SimulatedLoop"]

START_NS = 10_000_000_000
UTC_NS = 1_800_000_000_000_000_000


class HungError(Exception):
    """What was run waits for something that never comes, or takes too long in simulated time."""


class SimulatedClock:
    """The host's clocks; they stand still while code runs.

    Attributes:
        now: monotonic, ns.
        utc_offset: by which the wall clock is ahead of it, ns.
        limit: at which a run counts as hanging, ns.
    """

    def __init__(self) -> None:
        self.now = START_NS
        self.utc_offset = UTC_NS - START_NS
        self.limit = START_NS + 3_600_000_000_000

    def monotonic_ns(self) -> int:
        """Return monotonic time, ns."""
        return self.now

    def monotonic(self) -> float:
        """Return monotonic time, s."""
        return self.now / 1e9

    def time_ns(self) -> int:
        """Return the wall clock, ns since 1970."""
        return self.now + self.utc_offset

    def time(self) -> float:
        """Return the wall clock, s since 1970."""
        return self.time_ns() / 1e9

    def sleep(self, seconds: float) -> None:
        """Let time pass for a caller that blocks."""
        self.now += max(1, round(seconds * 1e9))


class _NoWaiting(selectors.BaseSelector):
    """Waits for no file: the time until the next timer passes at once."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._clock = clock
        self._keys: dict[Any, selectors.SelectorKey] = {}

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        number = fileobj if isinstance(fileobj, int) else fileobj.fileno()
        key = selectors.SelectorKey(fileobj, number, events, data)
        self._keys[fileobj] = key
        return key

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        return self._keys.pop(fileobj)

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            message = "nothing will ever happen"
            raise HungError(message)
        if timeout > 0:
            self._clock.now += max(1, round(timeout * 1e9))
        if self._clock.now > self._clock.limit:
            message = "the run has not ended"
            raise HungError(message)
        return []

    def get_map(self) -> Any:
        return self._keys


class SimulatedLoop(asyncio.SelectorEventLoop):
    """An event loop in simulated time, for one thread."""

    def __init__(self, clock: SimulatedClock) -> None:
        self._simulated = clock
        super().__init__(_NoWaiting(clock))

    def time(self) -> float:
        """Return simulated time, s."""
        return self._simulated.now / 1e9
