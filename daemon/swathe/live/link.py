"""The link to the MQTT broker: publishes the mirror, takes commands, comes back after a loss."""

from __future__ import annotations

import asyncio
import json
import logging
import os
from collections.abc import Callable

import aiomqtt
from aiomqtt import ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from pydantic import ValidationError

from swathe.errors import SwatheError, first_error
from swathe.live.mirror import Mirror
from swathe.messages import CommandMessage, Message, ReplyMessage, Topics
from swathe.station import BrokerSettings
from swathe_drivers import Backoff

__all__ = ["BrokerLink"]

_log = logging.getLogger(__name__)

_SWEEP_SECONDS = 2.0
_COMMAND_BYTES = 4096
_KEEPALIVE_SECONDS = 10


class BrokerLink:
    """Keeps a broker in step with the mirror.

    Args:
        settings: the broker.
        topics: the station's.
        survey: identity of the survey; retained messages of another are cleared.
        mirror: what the broker is to hold.
        will: returns the message that the broker gives out if we vanish.
        on_command: acts on a command and returns the answer.
        backoff: delays between tries to connect.

    Raises:
        SwatheError: the password's environment variable is not set.
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
        backoff: Backoff | None = None,
    ) -> None:
        self._settings = settings
        self._topics = topics
        self._survey = survey
        self._mirror = mirror
        self._will = will
        self._on_command = on_command
        self._backoff = backoff or Backoff()
        self._versions = _versions(settings)
        self._password = _password(settings)
        self.state = "connecting"
        self.detail = ""
        self.losses = 0
        self._busy = False
        self._published = asyncio.Event()

    async def run(self) -> None:
        """Connect, publish, take commands; and again, for ever. Cancel it to end.

        A broker that is away or refuses us is no error: acquisition goes on without it.
        """
        while True:
            try:
                await self._serve()
            except* (aiomqtt.MqttError, TimeoutError, OSError) as group:
                self._note_loss(first_error(group))
            await asyncio.sleep(self._backoff.next_delay())

    def _note_loss(self, error: BaseException) -> None:
        if self.state == "connected":
            self.losses += 1
        else:
            # A broker that does not know a version closes the door without a word.
            self._versions.append(self._versions.pop(0))
        if self.state != "lost" or self.detail != str(error):
            _log.warning("broker %s: %s", self.address, error)
        self.state, self.detail = "lost", str(error)

    @property
    def address(self) -> str:
        """Host and port of the broker."""
        return f"{self._settings.host}:{self._settings.port}"

    async def drained(self) -> None:
        """Wait until the broker has everything; put a bound on it, a broker may be slow."""
        while self._mirror.unseen or self._busy:
            self._published.clear()
            await self._published.wait()

    async def _serve(self) -> None:
        version = self._versions[0]
        will = self._will()
        async with aiomqtt.Client(
            self._settings.host,
            self._settings.port,
            identifier=f"swathe-{self._topics.station}-{os.getpid()}",
            username=self._settings.username,
            password=self._password,
            protocol=version,
            clean_session=None if version is ProtocolVersion.V5 else True,
            keepalive=_KEEPALIVE_SECONDS,
            timeout=5,
            will=aiomqtt.Will(
                self._topics.state,
                will.model_dump_json(by_alias=True).encode(),
                qos=1,
                retain=True,
            ),
        ) as client:
            self.state, self.detail = "connected", ""
            self._backoff.reset()
            self._mirror.forget_seen()
            topics = self._topics
            filters = (topics.gaps, topics.lines, topics.checks, topics.ports)
            for topic in filters:
                await client.subscribe(topic, qos=1)
            if self._settings.commands:
                await client.subscribe(self._topics.command, qos=1)
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._publish(client, version), name="broker.publish")
                tasks.create_task(self._listen(client), name="broker.listen")
                tasks.create_task(self._end_sweep(client, filters), name="broker.sweep")

    async def _publish(self, client: aiomqtt.Client, version: ProtocolVersion) -> None:
        properties = None
        if version is ProtocolVersion.V5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ContentType = "application/json"
        while True:
            await self._mirror.wait()
            while (item := self._mirror.take()) is not None:
                topic, payload = item
                self._busy = True
                try:
                    await client.publish(topic, payload, qos=1, retain=True, properties=properties)
                except BaseException:
                    self._mirror.put_back(topic)
                    raise
                finally:
                    self._busy = False
                    self._published.set()

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic, payload = str(message.topic), message.payload
            data = payload if isinstance(payload, bytes) else str(payload or "").encode()
            if topic == self._topics.command:
                if not message.retain and data:
                    await self._answer(client, data)
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

    async def _answer(self, client: aiomqtt.Client, data: bytes) -> None:
        if len(data) > _COMMAND_BYTES:
            _log.warning("a command of %d bytes is refused: too long", len(data))
            return
        try:
            command = CommandMessage.model_validate_json(data)
        except ValidationError as error:
            _log.warning("a command is refused: %s", error.errors(include_url=False)[:3])
            return
        reply = self._on_command(command)
        payload = reply.model_dump_json(by_alias=True).encode()
        await client.publish(self._topics.reply(command.id), payload, qos=1)


def _versions(settings: BrokerSettings) -> list[ProtocolVersion]:
    """Return the protocol versions to try, in this order and round again."""
    if settings.protocol == "5":
        return [ProtocolVersion.V5]
    if settings.protocol == "3.1.1" or settings.embedded:
        return [ProtocolVersion.V311]
    return [ProtocolVersion.V5, ProtocolVersion.V311]


def _password(settings: BrokerSettings) -> str | None:
    if settings.password_variable is None:
        return None
    password = os.environ.get(settings.password_variable)
    if password is None:
        message = (
            f"'broker.password_variable' names {settings.password_variable}, which is not set: "
            "put the broker's password into that environment variable"
        )
        raise SwatheError(message)
    return password
