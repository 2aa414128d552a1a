"""What is published next: the newest message of each topic, at the pace that the link bears."""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import time
from collections.abc import Callable

from swathe.live.mirror import OF_THE_MANY, RANKS, Mirror, rank_of
from swathe.station import BrokerSettings

__all__ = ["Outbox"]

# The interval of a gap that changes again and again doubles up to this: the probe is inside it, and
# only where it ends matters. After as long without a change it is the first one again.
_GROWING_NS = 2_000_000_000


class Outbox:
    """Returns the mirror's topics at the pace of their kind.

    A topic published less than its interval ago waits, and is then published with its newest
    message. An urgent one (a gap that opened or closed, an alarm) does not wait. The interval of a
    gap that continues to grow or shrink doubles up to 2 s.

    Args:
        mirror: has the messages.
        settings: has the intervals.
        clock: ns.
    """

    def __init__(
        self,
        mirror: Mirror,
        settings: BrokerSettings,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._mirror = mirror
        self._clock = clock
        self._intervals = {
            "progress": settings.progress_interval,
            "crawler": settings.progress_interval,
            "gap": settings.gap_interval,
            "alarm": settings.gap_interval,
            "confirm": settings.gap_interval,
            "line": settings.line_interval,
            "port": settings.port_interval,
            "spots": settings.progress_interval,
            "checking": settings.progress_interval,
        }
        self._next: dict[str, int] = {}  # when each topic may be published again
        self._growing: dict[str, int] = {}  # newest interval of each gap that changes, ns
        self._held: dict[str, int] = {}
        self._since: dict[str, int] = {}  # when a held topic got its only message
        # When held topics are due: those of the many apart, so that no other waits behind them.
        self._orders: tuple[list[tuple[int, str]], ...] = ([], [])
        self._hurried = False

    @property
    def empty(self) -> bool:
        """Whether the broker has everything."""
        return not (self._held or self._mirror.unpublished)

    def holds(self, topic: str) -> bool:
        """Return whether a message of the topic is still to be published."""
        return topic in self._held or self._mirror.holds(topic)

    def hurry(self) -> None:
        """Let nothing wait any longer: the run has ended."""
        self._hurried = True
        self._mirror.wake()

    def forget(self) -> None:
        """Mark everything as unpublished."""
        self._next.clear()
        self._growing.clear()
        self._held.clear()
        self._since.clear()
        for order in self._orders:
            order.clear()
        self._mirror.forget_published()

    async def next(self, ranks: Callable[[], int] = lambda: RANKS) -> str:
        """Wait for the next topic that is due, and return it.

        Args:
            ranks: returns of how many of the first ranks it may be now, 1 at the lowest; the mirror
                is woken when that changes.
        """
        while True:
            now, most = self._clock(), ranks()
            orders = self._orders[: 1 + (most > OF_THE_MANY)] if most > 1 else ()
            topic = (
                self._next_new(now, 1) or self._next_held(now, orders) or self._next_new(now, most)
            )
            if topic is not None:
                self._note(topic, now)
                return topic
            first = min((order[0][0] for order in orders if order), default=None)
            wait = None if first is None else (first - now) / 1e9
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait):
                    await self._mirror.wait(most)

    def _note(self, topic: str, now: int) -> None:
        interval = self._interval(topic, now)
        # Counted from when it was due: messages at the same pace are not held back for the
        # jitter of the one before. One that waited alone is counted from when it came: what
        # follows at the same pace would wait as long, again and again.
        begin = self._since.pop(topic, self._next.get(topic, now))
        self._next[topic] = max(begin + interval, now + interval // 2)

    def _interval(self, topic: str, now: int) -> int:
        """Return for how long a topic that is published now is not published again, ns."""
        kind = topic.split("/")[2]
        interval = self._intervals.get(kind, 0)
        if kind != "gap":
            return interval
        if (newest := self._growing.get(topic)) and now < self._next[topic] + _GROWING_NS:
            interval = max(interval, min(2 * newest, _GROWING_NS))
        self._growing[topic] = interval
        return interval

    def _next_held(self, now: int, orders: tuple[list[tuple[int, str]], ...]) -> str | None:
        for order in orders:
            while order and (self._hurried or order[0][0] <= now):
                due, topic = heapq.heappop(order)
                if self._held.get(topic) == due:
                    del self._held[topic]
                    return topic
        return None

    def _next_new(self, now: int, ranks: int) -> str | None:
        while (taken := self._mirror.take(ranks)) is not None:
            topic = taken[0]
            urgent = topic in self._mirror.urgent
            self._mirror.urgent.discard(topic)
            due = self._next.get(topic, now)
            if urgent:
                self._growing.pop(topic, None)
            if urgent or self._hurried or due <= now:
                self._held.pop(topic, None)
                return topic
            if topic not in self._held:
                self._held[topic] = due
                self._since[topic] = now
                of_many = rank_of(topic, urgent=False) >= OF_THE_MANY
                heapq.heappush(self._orders[of_many], (due, topic))
            else:
                self._since.pop(topic, None)
        return None
