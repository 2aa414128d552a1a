"""The link to the MQTT broker: publishes the mirror, takes commands, connects again after a loss."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Awaitable, Callable, Collection, Mapping

import aiomqtt
from aiomqtt import ProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from swathe.errors import first_error
from swathe.live.command_gate import CommandGate
from swathe.live.farewell import Farewell
from swathe.live.inbox import Answer, Inbox
from swathe.live.mirror import Mirror
from swathe.live.outbox import Outbox
from swathe.live.own_topics import OwnTopics
from swathe.live.window import Window
from swathe.messages import CommandMessage, Message, ReplyMessage, Topics
from swathe.messages.connection import BrokerAccess, json_properties
from swathe.station import BrokerSettings
from swathe_drivers import Backoff

__all__ = ["BrokerLink"]

_log = logging.getLogger(__name__)

# A broker that refused is tried again so seldom that its log does not fill.
_REFUSED_SECONDS = 30.0
_PUT_RIGHT_SECONDS = 0.25
_DISCOVERY_TRIES = 3
# A slow link answers late; one that is dead is found by the keep-alive.
_ANSWER_SECONDS = 30.0
# Messages of a run's last seconds are with the broker, so a last word to it is short.
_BYE_SECONDS = 0.3


class BrokerLink:
    """Publishes the mirror on a broker.

    Args:
        settings: the broker.
        topics: the station's.
        session: of this process, as in its state messages.
        mirror: the messages to publish.
        will: returns the last will.
        settled: returns whether the mirror has the whole survey.
        on_command: executes a command and returns the reply.
        on_refused: returns the reply to a command that is not executed, from its id and the reason.
        must_stop: returns whether a crawler may move, which a `stop` then stops in any case.
        saved: completes a reply once the disk has what it is about.
        discovery: retained messages outside of the station's topics by which dashboards find it.
        backoff: delays between tries to connect.

    Attributes:
        state: connecting, connected, lost or refused.
        detail: the reason.
        losses: how often a connection was lost.
        refusals: how often the broker refused.
        own: what others write on the station's topics.

    Raises:
        SwatheError: an environment variable with a password is not set.
    """

    def __init__(
        self,
        *,
        settings: BrokerSettings,
        topics: Topics,
        session: str,
        mirror: Mirror,
        will: Callable[[], Message],
        settled: Callable[[], bool],
        on_command: Callable[[CommandMessage], ReplyMessage],
        on_refused: Callable[[str, str], ReplyMessage],
        must_stop: Callable[[], bool] = lambda: False,
        saved: Callable[[ReplyMessage], Awaitable[ReplyMessage]] | None = None,
        discovery: Mapping[str, bytes] | None = None,
        backoff: Backoff | None = None,
    ) -> None:
        self._settings = settings
        self._access = BrokerAccess(settings)
        self._topics = topics
        self._session = session
        self._mirror = mirror
        self._discovery = dict(discovery or {})
        self._discovery_tries = 0
        self._outbox = Outbox(mirror, settings)
        self._window = Window()
        self._will = will
        self.own = OwnTopics(topics, session, mirror, is_kept=self._is_kept, settled=settled)
        gate = CommandGate(topics, session, lifetime=settings.command_lifetime, must_stop=must_stop)
        self._inbox = Inbox(
            topics,
            gate,
            on_command=on_command,
            on_refused=on_refused,
            shared=lambda: bool(self.own.name_in_use),
            saved=saved,
        )
        self._backoff = backoff or Backoff()
        self._versions = self._access.versions()
        self.state = "connecting"
        self.detail = ""
        self.losses = 0
        self.refusals = 0
        self._published = asyncio.Event()
        self._accepted_state = b""
        self._flying: set[str] = set()
        self._changed_in_flight: set[str] = set()
        self._client: aiomqtt.Client | None = None
        self._farewell: Farewell | None = None

    async def run(self) -> None:
        """Connect, publish and take commands, again and again until cancelled.

        A broker that is absent or refuses is no error: acquisition continues without it.
        """
        while True:
            wait = 0.0
            try:
                await self._serve()
            except* (aiomqtt.MqttError, TimeoutError, OSError) as group:
                wait = self._note_loss(first_error(group))
            except* Exception as group:  # noqa: BLE001
                # Whatever a broker sends, the link is made again: it is never lost for good.
                wait = self._note_loss(first_error(group)) or _REFUSED_SECONDS
                _log.exception("the link to broker %s failed and is made again", self.address)
            await asyncio.sleep(wait or self._backoff.next_delay())

    def _note_loss(self, error: BaseException) -> float:
        """Record why there is no connection; return a wait other than the usual one, s."""
        problem = self._access.explain(error, met=self.state == "connected")
        if self.state == "connected":
            self.losses += 1
        elif not problem.refused:
            # A broker that does not know a version closes the connection without a reason.
            self._versions.append(self._versions.pop(0))
        state = "refused" if problem.refused else "lost"
        self.refusals += problem.refused
        if (self.state, self.detail) != (state, problem.text):
            _log.warning("broker %s: %s", self.address, problem.text)
        self.state, self.detail = state, problem.text
        return _REFUSED_SECONDS if problem.refused else 0.0

    @property
    def address(self) -> str:
        """Host and port of the broker."""
        return self._access.address

    @property
    def has_state(self) -> bool:
        """Whether the broker has confirmed the newest state on this connection."""
        newest = self._mirror.newest.get(self._topics.state, b"")
        return self.state == "connected" and self._accepted_state == newest

    def unpublished(self, topics: Collection[str]) -> set[str]:
        """Return those of some topics whose newest message is not on its way to the broker yet."""
        waiting = self._changed_in_flight
        return {topic for topic in topics if self._outbox.holds(topic) or topic in waiting}

    async def state_taken(self, *, hurried: bool = True) -> None:
        """Wait until the broker has the newest state; bound it with a time-out.

        Args:
            hurried: whether no message waits for its interval any longer.
        """
        if hurried:
            self._outbox.hurry()
        while not self.has_state:
            self._published.clear()
            await self._published.wait()

    async def drained(self) -> None:
        """Wait until the broker has everything, also what is owed to who commands; bound it with a time-out."""
        self._outbox.hurry()
        while self._window.in_flight or not self._outbox.empty or self._inbox.owed:
            self._published.clear()
            await self._published.wait()

    def hasten_end(self) -> None:
        """Let the client close without waiting for the broker; `farewell_taken` waits for that.

        Cancel `run` next.
        """
        if self._client is not None and self.state == "connected":
            self._client.timeout = _BYE_SECONDS
            self._farewell = Farewell(self._client)

    async def farewell_taken(self, seconds: float) -> bool:
        """Return whether the broker took the farewell, so that it publishes no last will.

        Call it after `hasten_end`, once `run` has ended.

        Args:
            seconds: to wait for the broker in the worst case.
        """
        farewell, self._farewell = self._farewell, None
        return farewell is not None and await farewell.taken(seconds)

    async def _serve(self) -> None:
        version = self._versions[0]
        will = aiomqtt.Will(
            self._topics.state,
            self._will().model_dump_json(by_alias=True).encode(),
            qos=1,
            retain=True,
        )
        # The session keeps two stations of one name from ending each other's connection.
        name = f"swathe-{self._topics.station}-{self._session}"
        async with self._access.client(name, version, will=will) as client:
            self._client = client
            self.own.connected()
            # A send that was ended before its first step has taken back nothing.
            self._window.begin()
            self._flying.clear()
            self._changed_in_flight.clear()
            self._accepted_state = b""
            await self._subscribe(client, version)
            self.state, self.detail = "connected", ""
            self._backoff.reset()
            self._outbox.forget()
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._publish(client, version), name="broker.publish")
                tasks.create_task(self._listen(client, version), name="broker.listen")
                tasks.create_task(self._put_right(client, version), name="broker.put right")
                tasks.create_task(self._announce(client), name="broker.announce")

    async def _subscribe(self, client: aiomqtt.Client, version: ProtocolVersion) -> None:
        filters = [(topic, False) for topic in self._topics.own]
        if self._settings.commands:
            filters.append((self._topics.command, True))
        if version is ProtocolVersion.V5:
            # Our own messages do not come back, and a command shows whether the broker keeps it.
            options = [
                (topic, SubscribeOptions(1, noLocal=True, retainAsPublished=is_command))
                for topic, is_command in filters
            ]
            await client.subscribe(options)
        else:
            await client.subscribe([(topic, 1) for topic, _ in filters])

    def _is_kept(self, topic: str) -> bool:
        """Return whether the broker is to have a topic."""
        return topic in self._mirror

    async def _publish(self, client: aiomqtt.Client, version: ProtocolVersion) -> None:
        async with asyncio.TaskGroup() as sends:
            while True:
                topic = await self._outbox.next(lambda: self._window.ranks)
                if topic in self._flying:
                    self._changed_in_flight.add(topic)  # sent as it is once that is answered
                    await asyncio.sleep(0)
                    continue
                self._window.sent(topic)
                self._flying.add(topic)
                # Tasks start in the order of their creation, and so do the messages.
                sends.create_task(self._send(client, topic, version), name=f"publish[{topic}]")
                await asyncio.sleep(0)

    async def _announce(self, client: aiomqtt.Client) -> None:
        """Publish the discovery messages, one at a time, once the broker has the state.

        A broker may end the connection of who writes outside of its own topics: after some tries it
        gets none of them any more.
        """
        if self._discovery_tries >= _DISCOVERY_TRIES:
            return
        await self.state_taken(hurried=False)
        self._discovery_tries += 1
        # A connection that is lost meanwhile is noticed by the tasks that need it.
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            for topic, payload in self._discovery.items():
                await client.publish(topic, payload, 1, retain=True, timeout=_ANSWER_SECONDS)
            self._discovery_tries = 0

    async def _clear(self, client: aiomqtt.Client, topic: str, version: ProtocolVersion) -> None:
        """Let the broker forget a topic."""
        if version is not ProtocolVersion.V5:
            self.own.sent(topic, b"")
        await client.publish(topic, b"", qos=1, retain=True, timeout=_ANSWER_SECONDS)

    async def _send(self, client: aiomqtt.Client, topic: str, version: ProtocolVersion) -> None:
        payload = self._mirror.newest.get(topic, b"")  # none: the broker forgets the topic
        begun, took = time.monotonic(), None
        properties = json_properties(version)
        if version is not ProtocolVersion.V5:
            self.own.sent(topic, payload)
        try:
            await client.publish(
                topic, payload, 1, retain=True, properties=properties, timeout=_ANSWER_SECONDS
            )
            took = time.monotonic() - begun
            if topic == self._topics.state:
                self._accepted_state = payload
        finally:
            self._flying.discard(topic)
            self._window.answered(topic, took)
            if took is None or topic in self._changed_in_flight:
                self._changed_in_flight.discard(topic)
                self._mirror.put_back(topic)
            self._mirror.wake()
            self._published.set()

    async def _listen(self, client: aiomqtt.Client, version: ProtocolVersion) -> None:
        async with asyncio.TaskGroup() as replies:
            async for message in client.messages:
                try:
                    answer = self._take(message, version)
                except Exception:  # noqa: BLE001
                    # Whatever somebody sends, the messages after it are read.
                    _log.exception("a message cannot be read")
                    continue
                if answer is not None:
                    replies.create_task(self._reply(client, answer), name="broker.reply")
        raise aiomqtt.MqttError("the broker ended the link")

    async def _reply(self, client: aiomqtt.Client, answer: Answer) -> None:
        try:
            await self._inbox.send(client, answer)
        finally:
            self._published.set()

    def _take(self, message: aiomqtt.Message, version: ProtocolVersion) -> Answer | None:
        """Take a message; return what answers it."""
        topic, payload = str(message.topic), message.payload
        data = payload if isinstance(payload, bytes) else str(payload or "").encode()
        kept = bool(message.retain)
        if topic != self._topics.command:
            self.own.take(topic, data, kept=kept)
            return None
        if not data:
            return None
        return self._inbox.take(data, retained=kept, version=version, request=message.properties)

    async def _put_right(self, client: aiomqtt.Client, version: ProtocolVersion) -> None:
        """Publish again, or clear, what others have written on our topics."""
        while True:
            for topic in self.own.take_due():
                if self._is_kept(topic):
                    self._mirror.put_back(topic)
                else:
                    await self._clear(client, topic, version)
            await asyncio.sleep(_PUT_RIGHT_SECONDS)
