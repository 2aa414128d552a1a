"""The link to the MQTT broker: publishes the mirror, takes commands, comes back after a loss."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import re
from collections.abc import Callable
from typing import Any

import aiomqtt
from aiomqtt import ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from pydantic import ValidationError

from swathe.errors import first_error
from swathe.live.mirror import Mirror
from swathe.live.outbox import Outbox
from swathe.messages import CommandMessage, Message, ReplyMessage, Topics
from swathe.messages.connection import BrokerAccess
from swathe.station import BrokerSettings
from swathe_drivers import Backoff

__all__ = ["BrokerLink"]

_log = logging.getLogger(__name__)

_SWEEP_SECONDS = 2.0
_COMMAND_BYTES = 4096
# A broker that turned us away is asked again so seldom that its log does not fill.
_REFUSED_SECONDS = 30.0
# Messages under way at once, so that a far broker's answers are not waited for one by one.
_FLIGHTS = 8
_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")


class BrokerLink:
    """Keeps a broker in step with the mirror.

    Args:
        settings: the broker.
        topics: the station's.
        survey: identity of the survey; retained messages of another are cleared.
        mirror: what the broker is to hold.
        will: returns the message that the broker gives out if we vanish.
        on_command: acts on a command and returns the answer.
        on_refused: returns the answer to a command that is none, of an id and the reason.
        backoff: delays between tries to connect.

    Attributes:
        state: connecting, connected, lost, or refused: the broker does not let us in.
        detail: why, in words.
        losses: how often a link that stood was lost.
        refusals: how often the broker turned us away.

    Raises:
        SwatheError: an environment variable with a password is not set.
    """

    def __init__(
        self,
        *,
        settings: BrokerSettings,
        topics: Topics,
        survey: str,
        mirror: Mirror,
        will: Callable[[], Message],
        on_command: Callable[[CommandMessage], ReplyMessage],
        on_refused: Callable[[str, str], ReplyMessage],
        backoff: Backoff | None = None,
    ) -> None:
        self._settings = settings
        self._access = BrokerAccess(settings)
        self._topics = topics
        self._survey = survey
        self._mirror = mirror
        self._outbox = Outbox(mirror, settings)
        self._will = will
        self._on_command = on_command
        self._on_refused = on_refused
        self._backoff = backoff or Backoff()
        self._versions = self._access.versions()
        self.state = "connecting"
        self.detail = ""
        self.losses = 0
        self.refusals = 0
        self._flying = 0
        self._published = asyncio.Event()

    async def run(self) -> None:
        """Connect, publish, take commands; and again, for ever. Cancel it to end.

        A broker that is away or refuses us is no error: acquisition goes on without it.
        """
        while True:
            wait = 0.0
            try:
                await self._serve()
            except* (aiomqtt.MqttError, TimeoutError, OSError) as group:
                wait = self._note_loss(first_error(group))
            await asyncio.sleep(wait or self._backoff.next_delay())

    def _note_loss(self, error: BaseException) -> float:
        """Take note of why there is no link; return how long to wait if that is not usual, s."""
        problem = self._access.explain(error, met=self.state == "connected")
        if self.state == "connected":
            self.losses += 1
        elif not problem.refused:
            # A broker that does not know a version closes the door without a word.
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

    async def drained(self) -> None:
        """Wait until the broker has everything; put a bound on it, a broker may be slow."""
        self._outbox.hurry()
        while self._flying or not self._outbox.empty:
            self._published.clear()
            await self._published.wait()

    async def _serve(self) -> None:
        version = self._versions[0]
        will = aiomqtt.Will(
            self._topics.state,
            self._will().model_dump_json(by_alias=True).encode(),
            qos=1,
            retain=True,
        )
        name = f"swathe-{self._topics.station}-{os.getpid()}"
        async with self._access.client(name, version, will=will) as client:
            topics = self._topics
            filters = (topics.gaps, topics.lines, topics.checks, topics.ports, topics.alarms)
            for topic in filters:
                await client.subscribe(topic, qos=1)
            if self._settings.commands:
                await client.subscribe(self._topics.command, qos=1)
            self.state, self.detail = "connected", ""
            self._backoff.reset()
            self._outbox.forget()
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._publish(client, version), name="broker.publish")
                tasks.create_task(self._listen(client, version), name="broker.listen")
                tasks.create_task(self._end_sweep(client, filters), name="broker.sweep")

    async def _publish(self, client: aiomqtt.Client, version: ProtocolVersion) -> None:
        properties = _properties(version)
        room = asyncio.Semaphore(_FLIGHTS)
        async with asyncio.TaskGroup() as flights:
            while True:
                topic = await self._outbox.next()
                self._flying += 1
                try:
                    await room.acquire()
                except BaseException:
                    self._land(topic, arrived=False)
                    raise
                # Tasks begin in the order of their making, and so do the messages.
                flights.create_task(
                    self._fly(client, topic, properties, room), name=f"broker.publish[{topic}]"
                )

    async def _fly(
        self,
        client: aiomqtt.Client,
        topic: str,
        properties: Properties | None,
        room: asyncio.Semaphore,
    ) -> None:
        arrived = False
        try:
            payload = self._mirror.newest[topic]
            await client.publish(topic, payload, qos=1, retain=True, properties=properties)
            arrived = True
        finally:
            self._land(topic, arrived=arrived)
            room.release()

    def _land(self, topic: str, *, arrived: bool) -> None:
        if not arrived:
            self._mirror.put_back(topic)
        self._flying -= 1
        self._published.set()

    async def _listen(self, client: aiomqtt.Client, version: ProtocolVersion) -> None:
        async for message in client.messages:
            topic, payload = str(message.topic), message.payload
            data = payload if isinstance(payload, bytes) else str(payload or "").encode()
            if topic == self._topics.command:
                if not message.retain and data:
                    await self._answer(client, data, version, message.properties)
            elif message.retain and data and self._is_stale(topic, data):
                await client.publish(topic, b"", qos=1, retain=True)
        raise aiomqtt.MqttError("the broker ended the link")

    def _is_stale(self, topic: str, data: bytes) -> bool:
        """Return whether a retained message belongs to another survey, or to nothing we know."""
        try:
            survey = json.loads(data)["survey"]
        except (ValueError, TypeError, KeyError):
            return topic not in self._mirror
        return bool(survey != self._survey)

    async def _end_sweep(self, client: aiomqtt.Client, filters: tuple[str, ...]) -> None:
        """Stop listening to what we say ourselves once the retained messages are through."""
        await asyncio.sleep(_SWEEP_SECONDS)
        for topic in filters:
            await client.unsubscribe(topic)

    async def _answer(
        self,
        client: aiomqtt.Client,
        data: bytes,
        version: ProtocolVersion,
        asked: Properties | None,
    ) -> None:
        if len(data) > _COMMAND_BYTES:
            _log.warning("a command of %d bytes is refused: too long", len(data))
            return
        topic = None
        try:
            command = CommandMessage.model_validate_json(data)
        except ValidationError as error:
            told = "; ".join(
                f"{'.'.join(map(str, one['loc'])) or 'command'}: {one['msg']}"
                for one in error.errors(include_url=False, include_input=False)[:3]
            )
            _log.warning("a command is refused: %s", told)
            identity = _id_in(data)
            if identity is None:
                return
            reply = self._on_refused(identity, told)
        else:
            reply, topic = self._on_command(command), command.reply_to
        properties = _properties(version)
        if asked is not None and properties is not None:
            topic = topic or _response_topic(asked)
            correlation = getattr(asked, "CorrelationData", None)
            if correlation is not None:
                properties.CorrelationData = correlation
        payload = reply.model_dump_json(by_alias=True).encode()
        await client.publish(
            topic or self._topics.reply(reply.id), payload, qos=1, properties=properties
        )


def _properties(version: ProtocolVersion) -> Properties | None:
    """Return the properties of a message of ours, where the protocol has any."""
    if version is not ProtocolVersion.V5:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/json"
    return properties


def _response_topic(asked: Properties) -> str | None:
    """Return the topic that MQTT 5 names for the answer, if it is one that may be named."""
    topic = getattr(asked, "ResponseTopic", None)
    if topic is None:
        return None
    try:
        # The model says which topics may be named, wherever they are.
        CommandMessage(command="note", id="-", by="-", reply_to=topic)
    except ValidationError:
        return None
    return str(topic)


def _id_in(data: bytes) -> str | None:
    """Return the id of a command that is otherwise none, so that its sender can be told."""
    try:
        found: Any = json.loads(data)
    except ValueError:
        return None
    identity = found.get("id") if isinstance(found, dict) else None
    return identity if isinstance(identity, str) and _ID.fullmatch(identity) else None
