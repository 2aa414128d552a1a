"""The present state of a station as retained messages, with or without a broker.

MQTT carries the present state, not a queue of events: each topic has one newest message, so memory
is bounded while there is no broker, and a broker that returns, even empty, receives the present
state.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from swathe.messages import Message

__all__ = ["Mirror"]


class Mirror:
    """Newest message of each topic, and which of them the broker does not have.

    Attributes:
        urgent: unpublished topics that no rate limit holds back.
    """

    def __init__(self) -> None:
        self.urgent: set[str] = set()
        self._newest: dict[str, bytes] = {}
        self._messages: dict[str, Message] = {}
        self._unpublished: dict[str, None] = {}  # a dict keeps the order of first change
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
            self._set(topic, message, payload, urgent=urgent)

    def take_over(self, other: Mirror, *, but: str) -> None:
        """Set the newest message of each topic of another mirror, none of them held back.

        Args:
            other: has the messages; writing them as JSON was its work.
            but: a topic that is left out.
        """
        for topic, payload in other._newest.items():
            if topic != but and self._newest.get(topic) != payload:
                self._set(topic, other._messages[topic], payload, urgent=True)

    def _set(self, topic: str, message: Message, payload: bytes, *, urgent: bool) -> None:
        self._newest[topic] = payload
        self._messages[topic] = message
        self._unpublished[topic] = None
        if urgent:
            self.urgent.add(topic)
        self._changed.set()
        for watcher in self._watchers:
            watcher(topic, payload)

    def __contains__(self, topic: object) -> bool:
        return topic in self._newest

    def forget_published(self) -> None:
        """Mark every message as unpublished: the broker may have returned empty."""
        self._unpublished = dict.fromkeys(self._newest)
        self._changed.set()

    @property
    def unpublished(self) -> int:
        """Number of messages that the broker does not have."""
        return len(self._unpublished)

    def holds(self, topic: str) -> bool:
        """Return whether the broker does not have a topic's newest message."""
        return topic in self._unpublished

    async def wait(self) -> None:
        """Wait until there is an unpublished message, or until woken."""
        if not self._unpublished:
            self._changed.clear()
            await self._changed.wait()

    def wake(self) -> None:
        """Wake the task that waits."""
        self._changed.set()

    def take(self) -> tuple[str, bytes] | None:
        """Return the topic unpublished for longest and its newest message; it counts as published."""
        if not self._unpublished:
            return None
        topic = next(iter(self._unpublished))
        del self._unpublished[topic]
        return topic, self._newest[topic]

    def put_back(self, topic: str) -> None:
        """Mark a topic as unpublished again: the broker did not take it."""
        self._unpublished.setdefault(topic)
        self._changed.set()
