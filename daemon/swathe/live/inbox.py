"""Commands from the broker: parsed, let through or refused, and answered."""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from typing import Any

import aiomqtt
from aiomqtt import ProtocolVersion
from paho.mqtt.properties import Properties
from pydantic import ValidationError

from swathe.live.allowance import Allowance
from swathe.live.command_gate import CommandGate, Delivery
from swathe.messages import CommandMessage, ReplyMessage, Topics
from swathe.messages.bounded_json import UnboundedJsonError, parse_json
from swathe.messages.connection import json_properties

__all__ = ["Answer", "Inbox"]

_log = logging.getLogger(__name__)

_COMMAND_BYTES = 4096
# Replies on their way at once; a broker that takes none gets no more.
_REPLIES = 32
_ANSWER_SECONDS = 30.0
# Replies to what has no id: a program that is being written sends a few, a faulty one thousands.
_NAMELESS_BURST, _NAMELESS_PER_SECOND = 5, 0.5
_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True, slots=True)
class Answer:
    """A reply, where it goes, and its properties of MQTT 5."""

    reply: ReplyMessage
    topic: str
    properties: Properties | None


class Inbox:
    """Takes the messages of the command topic.

    Args:
        topics: of the station.
        gate: which commands are executed.
        on_command: executes a command and returns the reply.
        on_refused: returns the reply to a command that is not executed, from its id and the reason.
        shared: returns whether another station of this name is on the broker.
        saved: waits until the disk has what a command journalled, or for some seconds; returns what is
            to be replied.
        clock: ns.

    Attributes:
        owed: replies to commands that were executed, which are not with the broker yet.
    """

    def __init__(
        self,
        topics: Topics,
        gate: CommandGate,
        *,
        on_command: Callable[[CommandMessage], ReplyMessage],
        on_refused: Callable[[str, str], ReplyMessage],
        shared: Callable[[], bool],
        saved: Callable[[ReplyMessage], Awaitable[ReplyMessage]] | None = None,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._topics = topics
        self._gate = gate
        self._on_command = on_command
        self._on_refused = on_refused
        self._shared = shared
        self._nameless = Allowance(_NAMELESS_BURST, _NAMELESS_PER_SECOND, clock=clock)
        self._saved = saved
        self._sending = self.owed = 0
        self._flooded = 0

    def take(
        self,
        data: bytes,
        *,
        retained: bool,
        version: ProtocolVersion,
        request: Properties | None = None,
    ) -> Answer | None:
        """Execute or refuse a command; return the answer, None in a flood of them.

        What has no id that can be read is answered on a topic of its own, and seldom.

        Args:
            data: the message.
            retained: its retain flag.
            version: of the protocol.
            request: its properties of MQTT 5.
        """
        floods = self._gate.floods()
        # In a flood nothing is parsed but what may be a stop.
        if floods and b"stop" not in data:
            self._flooded += 1
            if self._flooded & (self._flooded - 1) == 0:  # 1, 2, 4, 8: a flood fills no log
                _log.warning("commands come too fast: %d are left out until now", self._flooded)
            return None
        try:
            contents = parse_json(data, limit=_COMMAND_BYTES)
        except UnboundedJsonError as error:
            return self._refuse("", str(error), version, request)
        try:
            command = CommandMessage.model_validate(contents)
        except ValidationError as error:
            reason = "; ".join(
                f"{'.'.join(map(str, one['loc'])) or 'command'}: {one['msg']}"
                for one in error.errors(include_url=False, include_input=False)[:3]
            )
            return self._refuse(_id_in(contents), reason, version, request)
        if floods and command.command != "stop":
            return None
        arrival = Delivery(
            retained=retained,
            shows_retained=version is ProtocolVersion.V5,
            shared=self._shared(),
        )
        if why := self._gate.why_not(command, arrival):
            _log.warning("command %r of %r is refused: %s", command.command, command.by, why)
            reply, topic = self._on_refused(command.id, why), None
        else:
            reply, topic = self._on_command(command), command.reply_to
        return self._answer(reply, topic, version, request)

    def _refuse(
        self, identity: str, reason: str, version: ProtocolVersion, request: Properties | None
    ) -> Answer | None:
        """Return the answer to what is no command; None where too many without an id came."""
        if not identity and not self._nameless.take():
            return None
        _log.warning("a command is refused: %s", reason)
        reply = self._on_refused(identity, reason)
        topic = None if identity else self._topics.reply_without_id
        return self._answer(reply, topic, version, request)

    def _answer(
        self,
        reply: ReplyMessage,
        topic: str | None,
        version: ProtocolVersion,
        request: Properties | None,
    ) -> Answer:
        properties = json_properties(version)
        if request is not None and properties is not None:
            asked = getattr(request, "ResponseTopic", None)
            # What has no id has a default, which the sender's own topic is better than.
            if topic in (None, self._topics.reply_without_id) and self._gate.may_reply_on(asked):
                topic = str(asked)
            correlation = getattr(request, "CorrelationData", None)
            if correlation is not None:
                properties.CorrelationData = correlation
        return Answer(reply, topic or self._topics.reply(reply.id), properties)

    async def send(self, client: aiomqtt.Client, answer: Answer) -> None:
        """Publish an answer once it can be completed, unless the broker has not taken many others."""
        self.owed += answer.reply.accepted
        try:
            reply = answer.reply if self._saved is None else await self._saved(answer.reply)
            await self._publish(client, replace(answer, reply=reply))
        finally:
            self.owed -= answer.reply.accepted

    async def _publish(self, client: aiomqtt.Client, answer: Answer) -> None:
        if self._sending >= _REPLIES:
            _log.warning("the broker takes no replies: that to %s is left out", answer.reply.id)
            return
        self._sending += 1
        try:
            payload = answer.reply.model_dump_json(by_alias=True).encode()
            await client.publish(
                answer.topic, payload, 1, properties=answer.properties, timeout=_ANSWER_SECONDS
            )
        finally:
            self._sending -= 1


def _id_in(contents: Any) -> str:  # noqa: ANN401  any JSON
    """Return the id of an invalid command; empty where it has none that can be one."""
    identity = contents.get("id") if isinstance(contents, dict) else None
    return identity if isinstance(identity, str) and _ID.fullmatch(identity) else ""
