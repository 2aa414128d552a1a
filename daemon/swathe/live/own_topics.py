"""What others write on the station's own topics: recognized, reported and put right."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from swathe.live.allowance import Allowance
from swathe.live.mirror import Mirror
from swathe.messages import Topics
from swathe.messages.bounded_json import parse_json
from swathe.station import AlarmKind

__all__ = ["OwnTopics"]

# No message of ours is longer.
_OWN_BYTES = 1 << 20
# Publications of a topic that may be on their way back at a time.
_ECHOES = 32
# A topic is put right at once, and so often while somebody continues to write; all of them so many a
# second. Two stations of one name, each of which puts its own right, are bounded by it.
_AGAIN_NS = 5_000_000_000
_STATE_AGAIN_NS = 20_000_000_000
_BURST, _PER_SECOND = 100, 20
# How long what was seen is reported: longer than the other station's state takes to come again.
_IN_USE_NS = 60_000_000_000
_FOREIGN_NS = 30_000_000_000
# A second station's state follows its first messages within this time, and shows what they are.
_DOUBT_NS = 2_000_000_000
_MOST = 100_000


class OwnTopics:
    """Follows what comes on the station's own topics, and returns which ones are to be put right.

    Args:
        topics: of the station.
        session: of this process, as in its state messages.
        mirror: has the messages.
        is_kept: returns whether the broker is to have a topic.
        settled: returns whether the mirror has the whole survey.
        clock: ns.
    """

    def __init__(
        self,
        topics: Topics,
        session: str,
        mirror: Mirror,
        *,
        is_kept: Callable[[str], bool],
        settled: Callable[[], bool],
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._topics = topics
        self._session = session
        self._mirror = mirror
        self._is_kept = is_kept
        self._settled = settled
        self._clock = clock
        self._sent: dict[str, deque[bytes]] = {}
        self._wrong: dict[str, None] = {}
        self._next: dict[str, int] = {}
        self._allowed = Allowance(_BURST, _PER_SECOND, clock=clock)
        self._other, self._other_until = "", 0
        self._foreign = 0
        self._foreign_topic = ""
        self._foreign_since = self._foreign_until = 0

    @property
    def name_in_use(self) -> str:
        """Text of the alarm that another process has the station's name; empty without one."""
        if self._clock() >= self._other_until:
            return ""
        return (
            f"session {self._other} on the broker is named {self._topics.station!r} too, and this is "
            f"session {self._session}: give one of the stations another name"
        )

    @property
    def foreign_writer(self) -> str:
        """Text of the alarm that somebody else writes on the station's topics; empty without one."""
        now = self._clock()
        if self.name_in_use or now >= self._foreign_until or now < self._foreign_since + _DOUBT_NS:
            return ""
        return (
            f"somebody else writes on topics of this station, {self._foreign} times until now, last on "
            f"{self._foreign_topic}: they are put right; limit at the broker who may write"
        )

    def report(self, show: Callable[[AlarmKind, str], None]) -> None:
        """Show what is noticed as alarms, or that there is nothing to notice."""
        show(AlarmKind.NAME_IN_USE, self.name_in_use)
        show(AlarmKind.FOREIGN_WRITER, self.foreign_writer)

    def connected(self) -> None:
        """Begin a connection: nothing that was sent on the one before comes back on it."""
        self._sent.clear()

    def sent(self, topic: str, payload: bytes) -> None:
        """Note a publication that the broker sends back, as it does with MQTT 3.1.1."""
        self._sent.setdefault(topic, deque(maxlen=_ECHOES)).append(payload)

    def take(self, topic: str, payload: bytes, *, kept: bool) -> None:
        """Take a message on one of the station's own topics.

        Args:
            topic: the topic.
            payload: the message.
            kept: whether the broker had it before this connection.
        """
        if self._is_echo(topic, payload):
            return
        if kept:
            self._take_kept(topic, payload)
        elif topic == self._topics.state and self._take_state(payload):
            self._put_wrong(topic)
        else:
            self._put_wrong(topic)
            if not self.name_in_use:
                self._note_foreign(topic)

    def _is_echo(self, topic: str, payload: bytes) -> bool:
        sent = self._sent.get(topic)
        if sent is not None and payload in sent:
            while sent.popleft() != payload:
                pass
            return True
        return payload == self._mirror.newest.get(topic, b"")

    def _take_kept(self, topic: str, payload: bytes) -> None:
        """Clear what an older survey or somebody else has left; ours is published again anyway."""
        if payload and not self._is_kept(topic):
            self._put_wrong(topic)

    def _take_state(self, payload: bytes) -> bool:
        """Return whether a state is another process's, or the will of a connection of ours."""
        session, state = _facts(payload, "session"), _facts(payload, "state")
        if session == self._session:
            return state == "offline"
        if not session:
            return False
        if state in ("offline", "complete", "incomplete"):
            if session == self._other:
                self._other_until = 0  # it has ended
        else:
            self._other, self._other_until = session, self._clock() + _IN_USE_NS
        return True

    def _note_foreign(self, topic: str) -> None:
        now = self._clock()
        if now >= self._foreign_until:
            self._foreign_since = now
        self._foreign += 1
        self._foreign_topic, self._foreign_until = topic, now + _FOREIGN_NS

    def _put_wrong(self, topic: str) -> None:
        if len(self._wrong) < _MOST:
            self._wrong.setdefault(topic)

    def take_due(self) -> list[str]:
        """Return the topics that are to be put right now; call it often."""
        if not self._wrong:
            return []
        now = self._clock()
        in_use, settled = bool(self.name_in_use), self._settled()
        due = []
        for topic in list(self._wrong):
            if not self._allowed.has_one():
                break
            # While both write, only who they are matters; the rest follows when one has gone.
            wait = in_use and topic != self._topics.state
            early = not settled and not self._is_kept(topic)
            if wait or early or now < self._next.get(topic, now):
                continue
            self._next[topic] = now + (_STATE_AGAIN_NS if in_use else _AGAIN_NS)
            self._allowed.take()
            del self._wrong[topic]
            due.append(topic)
        if len(self._next) > _MOST:
            self._next = {one: at for one, at in self._next.items() if at > now}
        return due


def _facts(payload: bytes, name: str) -> str:
    """Return a text of a message; empty where there is none."""
    try:
        contents = parse_json(payload, limit=_OWN_BYTES)
    except ValueError:
        return ""
    value = contents.get(name) if isinstance(contents, dict) else None
    return value if isinstance(value, str) and len(value) <= 40 else ""
