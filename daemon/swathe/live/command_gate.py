"""Which commands over MQTT are executed: fresh ones, once, and meant for this station."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from swathe.live.allowance import Allowance
from swathe.messages import CommandMessage, Topics
from swathe.pipeline.progress.fields import moment

__all__ = ["CommandGate", "Delivery"]

# An equal command within this time is one that the network delivered twice.
_SAME_NS = 25_000_000_000
_IDS = 20_000
# More commands a second than people and programs give: a burst of so many, and so many a second.
_BURST, _PER_SECOND = 40, 10


@dataclass(frozen=True, slots=True)
class Delivery:
    """How a command came.

    Attributes:
        retained: whether the broker keeps it, as far as the protocol shows that.
        shows_retained: whether the protocol shows it of each message: MQTT 5 with retain as
            published; MQTT 3.1.1 shows it of what was kept before the station connected only.
        shared: whether another station of this name is on the broker.
    """

    retained: bool
    shows_retained: bool
    shared: bool = False


class CommandGate:
    """Returns why a command is not executed.

    Args:
        topics: of the station.
        session: of this run's process.
        lifetime: how far the time in a command may be from this machine's, ns.
        must_stop: returns whether a crawler may move: `stop` is then obeyed whatever its age, id and
            session are, unless it is retained.
        clock: ns UTC.
        monotonic: ns.
    """

    def __init__(
        self,
        topics: Topics,
        session: str,
        *,
        lifetime: int,
        must_stop: Callable[[], bool],
        clock: Callable[[], int] = time.time_ns,
        monotonic: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._topics = topics
        self._session = session
        self._lifetime = lifetime
        self._must_stop = must_stop
        self._clock = clock
        self._monotonic = monotonic
        self._begun = monotonic()  # whatever the other clock is set to meanwhile
        self._given: OrderedDict[str, tuple[int, CommandMessage]] = OrderedDict()
        self._allowed = Allowance(_BURST, _PER_SECOND, clock=monotonic)

    def floods(self) -> bool:
        """Return whether commands come faster than they are read; call it once for each."""
        return not self._allowed.take()

    def why_not(self, command: CommandMessage, arrival: Delivery) -> str:
        """Return why a command is not executed; empty where it is."""
        if arrival.retained:
            return "it is a retained message, which may be of any age: publish it without 'retain'"
        if command.reply_to is not None and not self.may_reply_on(command.reply_to):
            return f"'reply_to' must begin with {self._topics.reply('')}"
        if command.command == "stop" and self._must_stop():
            return ""
        if command.session is not None and command.session != self._session:
            return f"it is for session {command.session}, and this one is {self._session}"
        if arrival.shared and command.session is None:
            return (
                f"another station on the broker has the name {self._topics.station!r} too: 'session' "
                f"must say which one is meant, and this one is {self._session}"
            )
        return self._why_not_fresh(command, arrival) or self._why_not_new(command)

    def _why_not_fresh(self, command: CommandMessage, arrival: Delivery) -> str:
        if command.time is None:
            if arrival.shows_retained:
                return ""
            return (
                "over MQTT 3.1.1 'time' is required: without it an old command looks like a new one"
            )
        now, given = self._clock(), round(command.time.timestamp() * 1e9)
        seconds = self._lifetime / 1e9
        if abs(now - given) > self._lifetime:
            return (
                f"it was given at {command.time.isoformat(timespec='seconds')}, and here it is "
                f"{moment(now).isoformat(timespec='seconds')}: commands live {seconds:g} s "
                "('broker.command_lifetime'), and clocks must agree"
            )
        if now - given > self._monotonic() - self._begun:
            return "it was given before this run began"
        return ""

    def _why_not_new(self, command: CommandMessage) -> str:
        now = self._monotonic()
        first = self._given.get(command.id)
        if first is None:
            self._given[command.id] = now, command
            if len(self._given) > _IDS:
                self._given.popitem(last=False)
            return ""
        if first[1] == command and now - first[0] < _SAME_NS:
            return ""  # answered again, not executed again
        return "its 'id' was used before: each command needs a new one"

    def may_reply_on(self, topic: object) -> bool:
        """Return whether a topic is one of the station's own for replies."""
        own = self._topics.reply("")
        return (
            isinstance(topic, str)
            and topic.startswith(own)
            and len(topic) > len(own)
            and len(topic) <= 200
            and not any(one in topic for one in "+#$")
            and topic.isprintable()
        )
