"""The link to the MQTT broker: publishes the mirror, takes commands, connects again after a loss."""

from __future__ import annotations

import asyncio
import logging
import os
import re
from collections.abc import Callable, Collection
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
from swathe.messages.bounded_json import UnboundedJsonError, parse_json
from swathe.messages.connection import BrokerAccess
from swathe.station import BrokerSettings
from swathe_drivers import Backoff

__all__ = ["BrokerLink"]

_log = logging.getLogger(__name__)

_SWEEP_SECONDS = 2.0
_COMMAND_BYTES = 4096
# No message of ours is longer.
_OWN_BYTES = 1 << 20
# A broker that refused is tried again so seldom that its log does not fill.
_REFUSED_SECONDS = 30.0
# Messages in flight at once, so that a distant broker is not waited for one by one.
_IN_FLIGHT = 8
_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")


class BrokerLink:
    """Publishes the mirror on a broker.

    Args:
        settings: the broker.
        topics: the station's.
        survey: identity of the survey; retained messages of another are cleared.
        mirror: the messages to publish.
        will: returns the last will.
        on_command: executes a command and returns the reply.
        on_refused: returns the reply to an invalid command, from its id and the reason.
        backoff: delays between tries to connect.

    Attributes:
        state: connecting, connected, lost or refused.
        detail: the reason.
        losses: how often a connection was lost.
        refusals: how often the broker refused.

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
        self._in_flight = 0
        self._published = asyncio.Event()

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

    def unpublished(self, topics: Collection[str]) -> set[str]:
        """Return those of some topics whose newest message is not on its way to the broker yet."""
        return {topic for topic in topics if self._outbox.holds(topic)}

    async def drained(self) -> None:
        """Wait until the broker has everything; bound it with a time-out."""
        self._outbox.hurry()
        while self._in_flight or not self._outbox.empty:
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
        slots = asyncio.Semaphore(_IN_FLIGHT)
        async with asyncio.TaskGroup() as sends:
            while True:
                topic = await self._outbox.next()
                self._in_flight += 1
                try:
                    await slots.acquire()
                except BaseException:
                    self._finish(topic, accepted=False)
                    raise
                # Tasks start in the order of their creation, and so do the messages.
                sends.create_task(
                    self._send(client, topic, properties, slots), name=f"broker.publish[{topic}]"
                )

    async def _send(
        self,
        client: aiomqtt.Client,
        topic: str,
        properties: Properties | None,
        slots: asyncio.Semaphore,
    ) -> None:
        accepted = False
        try:
            payload = self._mirror.newest[topic]
            await client.publish(topic, payload, qos=1, retain=True, properties=properties)
            accepted = True
        finally:
            self._finish(topic, accepted=accepted)
            slots.release()

    def _finish(self, topic: str, *, accepted: bool) -> None:
        if not accepted:
            self._mirror.put_back(topic)
        self._in_flight -= 1
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
        """Return whether a retained message belongs to another survey, or is none of ours."""
        try:
            survey = parse_json(data, limit=_OWN_BYTES, controls=True)["survey"]
        except (ValueError, TypeError, LookupError):
            return topic not in self._mirror
        return bool(survey != self._survey)

    async def _end_sweep(self, client: aiomqtt.Client, filters: tuple[str, ...]) -> None:
        """Unsubscribe from our own topics once the retained messages have arrived."""
        await asyncio.sleep(_SWEEP_SECONDS)
        for topic in filters:
            await client.unsubscribe(topic)

    async def _answer(
        self,
        client: aiomqtt.Client,
        data: bytes,
        version: ProtocolVersion,
        request: Properties | None,
    ) -> None:
        topic = None
        try:
            contents = parse_json(data, limit=_COMMAND_BYTES)
        except UnboundedJsonError as error:
            _log.warning("a command is refused: %s", error)
            return
        try:
            command = CommandMessage.model_validate(contents)
        except ValidationError as error:
            reason = "; ".join(
                f"{'.'.join(map(str, one['loc'])) or 'command'}: {one['msg']}"
                for one in error.errors(include_url=False, include_input=False)[:3]
            )
            _log.warning("a command is refused: %s", reason)
            identity = _id_in(contents)
            if identity is None:
                return
            reply = self._on_refused(identity, reason)
        else:
            reply, topic = self._on_command(command), command.reply_to
        properties = _properties(version)
        if request is not None and properties is not None:
            topic = topic or _response_topic(request)
            correlation = getattr(request, "CorrelationData", None)
            if correlation is not None:
                properties.CorrelationData = correlation
        payload = reply.model_dump_json(by_alias=True).encode()
        await client.publish(
            topic or self._topics.reply(reply.id), payload, qos=1, properties=properties
        )


def _properties(version: ProtocolVersion) -> Properties | None:
    """Return the properties of our messages, where the protocol has any."""
    if version is not ProtocolVersion.V5:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/json"
    return properties


def _response_topic(request: Properties) -> str | None:
    """Return the response topic of MQTT 5, if it is an allowed one."""
    topic = getattr(request, "ResponseTopic", None)
    if topic is None:
        return None
    try:
        # The model knows which topics are allowed.
        CommandMessage(command="note", id="-", by="-", reply_to=topic)
    except ValidationError:
        return None
    return str(topic)


def _id_in(contents: Any) -> str | None:  # noqa: ANN401  any JSON
    """Return the id of an invalid command, so that its sender can be answered."""
    identity = contents.get("id") if isinstance(contents, dict) else None
    return identity if isinstance(identity, str) and _ID.fullmatch(identity) else None
