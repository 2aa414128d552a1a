"""The present state of a station as retained messages, whatever the broker does.

MQTT is used as a mirror of what is so, not as a queue of what happened: each topic has one newest
message, so memory is bounded while no broker is there, and a broker that comes back, even empty,
is given the true state.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from swathe.messages import Message

__all__ = ["Mirror"]


class Mirror:
    """Newest message of each topic, and which of them the broker has not seen.

    Attributes:
        urgent: unseen topics that no rate limit is to hold back.
    """

    def __init__(self) -> None:
        self.urgent: set[str] = set()
        self._newest: dict[str, bytes] = {}
        self._messages: dict[str, Message] = {}
        self._unseen: dict[str, None] = {}  # a dict keeps the order of first change
        self._changed = asyncio.Event()
        self._watchers: list[Callable[[str, bytes], None]] = []

    @property
    def newest(self) -> Mapping[str, bytes]:
        """Newest message of each topic, in the order of their first ones."""
        return self._newest

    @property
    def messages(self) -> Mapping[str, Message]:
        """The same messages before they were written as JSON."""
        return self._messages

    def watch(self, watcher: Callable[[str, bytes], None]) -> Callable[[], None]:
        """Call `watcher` with each changed topic and payload; return what ends it."""
        self._watchers.append(watcher)
        return lambda: self._watchers.remove(watcher)

    def put(self, topic: str, message: Message, *, urgent: bool = False) -> None:
        """Set a topic's newest message; an urgent one is not held back by a rate limit."""
        payload = message.model_dump_json(by_alias=True).encode()
        if self._newest.get(topic) != payload:
            self._newest[topic] = payload
            self._messages[topic] = message
            self._unseen[topic] = None
            if urgent:
                self.urgent.add(topic)
            self._changed.set()
            for watcher in self._watchers:
                watcher(topic, payload)

    def __contains__(self, topic: object) -> bool:
        return topic in self._newest

    def forget_seen(self) -> None:
        """Take it that the broker has seen nothing: it may have come back empty."""
        self._unseen = dict.fromkeys(self._newest)
        self._changed.set()

    @property
    def unseen(self) -> int:
        """Messages that the broker has still to be given."""
        return len(self._unseen)

    async def wait(self) -> None:
        """Wait until there is something that the broker has not seen, or until woken."""
        if not self._unseen:
            self._changed.clear()
            await self._changed.wait()

    def wake(self) -> None:
        """Wake who waits."""
        self._changed.set()

    def take(self) -> tuple[str, bytes] | None:
        """Return the longest unseen topic and its newest message, as being seen from now on."""
        if not self._unseen:
            return None
        topic = next(iter(self._unseen))
        del self._unseen[topic]
        return topic, self._newest[topic]

    def put_back(self, topic: str) -> None:
        """The broker did not take it after all."""
        self._unseen.setdefault(topic)
        self._changed.set()
