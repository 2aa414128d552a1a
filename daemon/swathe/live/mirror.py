"""The present state of a station as retained messages, with or without a broker.

MQTT carries the present state, not a queue of events: each topic has one newest message, so memory
is bounded while there is no broker, and a broker that returns, even empty, receives the present
state.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from swathe.messages import Message

__all__ = ["OF_THE_MANY", "RANKS", "Mirror", "rank_of"]

RANKS = 4
OF_THE_MANY = 2
"""The first rank of which there may be thousands of topics."""
_MANY = ("gap", "line", "spot")


def rank_of(topic: str, *, urgent: bool) -> int:
    """Return how soon a topic is published among others: a small message never waits behind many.

    0 is the state; 1 what there is one or a few of; 2 the urgent ones of the many (gaps, lines,
    spots), which no rate limit holds back; 3 the others of these.
    """
    parts = topic.split("/", 3)
    kind = parts[2] if len(parts) > 2 else topic
    if kind == "state":
        return 0
    if kind not in _MANY:
        return 1
    return OF_THE_MANY if urgent else OF_THE_MANY + 1


class Mirror:
    """Newest message of each topic, and which of them the broker does not have.

    Attributes:
        urgent: unpublished topics that no rate limit holds back.
    """

    def __init__(self) -> None:
        self.urgent: set[str] = set()
        self._newest: dict[str, bytes] = {}
        self._messages: dict[str, Message] = {}
        # By rank; a dict keeps the order of first change.
        self._unpublished: tuple[dict[str, None], ...] = tuple({} for _ in range(RANKS))
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

    def remove(self, topic: str) -> None:
        """Let a topic have no message any more: the broker is to forget it, watchers get no bytes."""
        if self._newest.pop(topic, None) is None:
            return
        del self._messages[topic]
        self.urgent.discard(topic)
        self._add(topic)
        self._changed.set()
        for watcher in self._watchers:
            watcher(topic, b"")

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
        if urgent:
            self.urgent.add(topic)
        self._add(topic)
        self._changed.set()
        for watcher in self._watchers:
            watcher(topic, payload)

    def _add(self, topic: str) -> None:
        """Mark a topic as unpublished, in its rank: what has become urgent moves up."""
        rank = rank_of(topic, urgent=topic in self.urgent)
        for lower in self._unpublished[rank + 1 :]:
            lower.pop(topic, None)
        if not any(topic in one for one in self._unpublished[:rank]):
            self._unpublished[rank].setdefault(topic)

    def __contains__(self, topic: object) -> bool:
        return topic in self._newest

    def forget_published(self) -> None:
        """Mark every message as unpublished: the broker may have returned empty."""
        for one in self._unpublished:
            one.clear()
        for topic in self._newest:
            self._add(topic)
        self._changed.set()

    @property
    def unpublished(self) -> int:
        """Number of messages that the broker does not have."""
        return sum(map(len, self._unpublished))

    def holds(self, topic: str) -> bool:
        """Return whether the broker does not have a topic's newest message."""
        return any(topic in one for one in self._unpublished)

    async def wait(self, ranks: int = RANKS) -> None:
        """Wait until there is an unpublished message of the first so many ranks, or until woken."""
        if not any(self._unpublished[:ranks]):
            self._changed.clear()
            await self._changed.wait()

    def wake(self) -> None:
        """Wake the task that waits."""
        self._changed.set()

    def take(self, ranks: int = RANKS) -> tuple[str, bytes] | None:
        """Return the next unpublished topic and its newest message; it counts as published.

        There are no bytes where it has none any more.

        The one of the first rank, and within it that unpublished for longest.

        Args:
            ranks: it is of one of the first so many ranks.
        """
        for one in self._unpublished[:ranks]:
            if one:
                topic = next(iter(one))
                del one[topic]
                return topic, self._newest.get(topic, b"")
        return None

    def put_back(self, topic: str) -> None:
        """Mark a topic as unpublished again: the broker did not take it."""
        self._add(topic)
        self._changed.set()
