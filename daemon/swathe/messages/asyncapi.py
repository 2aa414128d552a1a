"""The whole contract over MQTT as an AsyncAPI 3 document, generated from the message models.

Source: the AsyncAPI specification 3.0.0 (www.asyncapi.com/docs/reference/specification/v3.0.0) and
its MQTT bindings 0.2.0. A channel is a topic; a message of the station is an operation that sends,
a command to it is one that receives and has a reply.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic.json_schema import models_json_schema

from swathe.messages.alarm import AlarmMessage, AlarmsMessage, RescanMessage
from swathe.messages.check import CheckingMessage, CheckMessage
from swathe.messages.command import CommandMessage, ReplyMessage
from swathe.messages.confirm import ConfirmMessage
from swathe.messages.crawler import CrawlerMessage
from swathe.messages.gap_index import GapIndexMessage
from swathe.messages.models import (
    GapMessage,
    LineMessage,
    PortMessage,
    ProgressMessage,
    StateMessage,
)
from swathe.messages.revisions import RevisionsMessage
from swathe.messages.spots import SpotMessage, SpotsMessage
from swathe.messages.topics import ROOT
from swathe.pipeline.progress.fields import Snapshot

__all__ = ["CONTRACT_VERSION", "asyncapi_document"]

CONTRACT_VERSION = "1.4.0"
"""Of the contract: the major number is the messages' `version`, the minor rises with new fields."""

_BINDING = "0.2.0"
_REF = "#/components/schemas/{model}"
_PARAMETERS = {
    "station": "name of the station, as in its station file",
    "number": "number of the line, gap, check, alarm or spot",
    "device": "name of the device, as in the station file",
    "id": "id of the command; 'without.id' for what has none that can be read",
}


@dataclass(frozen=True, slots=True)
class _Topic:
    """A topic below the station's own.

    Attributes:
        path: with parameters.
        model: of its payload.
        retained: whether the broker keeps the newest message.
        received: whether the station subscribes to it rather than publishes on it.
        interval: the key of ``[broker]`` with its shortest interval.
    """

    path: str
    model: type[Snapshot]
    retained: bool = True
    received: bool = False
    interval: str = ""

    @property
    def kind(self) -> str:
        return self.path.partition("/")[0]


_TOPICS = (
    _Topic("state", StateMessage),
    _Topic("progress", ProgressMessage, interval="progress_interval"),
    _Topic("crawler", CrawlerMessage, interval="progress_interval"),
    _Topic("line/{number}", LineMessage, interval="line_interval"),
    _Topic("gap/{number}", GapMessage, interval="gap_interval"),
    _Topic("gaps", GapIndexMessage),
    _Topic("check/{number}", CheckMessage),
    _Topic("checking", CheckingMessage, interval="progress_interval"),
    _Topic("alarm/{number}", AlarmMessage, interval="gap_interval"),
    _Topic("alarms", AlarmsMessage),
    _Topic("rescan", RescanMessage),
    _Topic("revisions", RevisionsMessage),
    _Topic("confirm", ConfirmMessage, interval="gap_interval"),
    _Topic("spot/{number}", SpotMessage),
    _Topic("spots", SpotsMessage, interval="progress_interval"),
    _Topic("port/{device}", PortMessage, interval="port_interval"),
    _Topic("command", CommandMessage, retained=False, received=True),
    _Topic("reply/{id}", ReplyMessage, retained=False),
)


def asyncapi_document() -> dict[str, Any]:
    """Return the document; its payloads' JSON Schemas are in ``components.schemas``."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Swathe over MQTT",
            "version": CONTRACT_VERSION,
            "description": (
                "Messages of a Swathe station and commands to it. Lengths are mm, areas mm², "
                "times UTC. Retained messages are the present state: a late subscriber receives all of it. "
                "MQTT 3.1.1 suffices, with a `time` in each command; where the broker speaks MQTT 5, a "
                "command's retain flag, response topic and correlation data are used as well. A reader must ignore unknown fields: they may "
                "be added within a version."
            ),
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "channels": {topic.kind: _channel(topic) for topic in _TOPICS},
        "operations": {
            _operation_name(topic): _operation(topic) for topic in _TOPICS if topic.kind != "reply"
        },
        "components": {
            "messages": {topic.kind: _message(topic) for topic in _TOPICS},
            "schemas": _schemas(),
        },
    }


def _schemas() -> dict[str, Any]:
    """Return the payloads' schemas and those of their parts by the models' names."""
    # A sent message has every field; a received one may omit those with a default.
    models = [(t.model, "validation" if t.received else "serialization") for t in _TOPICS]
    _, document = models_json_schema(models, by_alias=True, ref_template=_REF)  # type: ignore[arg-type]
    return dict(document["$defs"])


def _summary(topic: _Topic) -> str:
    return (topic.model.__doc__ or "").strip().partition("\n")[0]


def _channel(topic: _Topic) -> dict[str, Any]:
    address = f"{ROOT}/{{station}}/{topic.path}"
    names = [name for name in _PARAMETERS if f"{{{name}}}" in address]
    return {
        "address": address,
        "title": topic.kind,
        "description": _summary(topic),
        "parameters": {name: {"description": _PARAMETERS[name]} for name in names},
        "messages": {topic.kind: {"$ref": f"#/components/messages/{topic.kind}"}},
    }


def _operation_name(topic: _Topic) -> str:
    return f"{'receive' if topic.received else 'send'}{topic.kind.capitalize()}"


def _operation(topic: _Topic) -> dict[str, Any]:
    operation: dict[str, Any] = {
        "action": "receive" if topic.received else "send",
        "channel": {"$ref": f"#/channels/{topic.kind}"},
        "summary": _summary(topic),
        "messages": [{"$ref": f"#/channels/{topic.kind}/messages/{topic.kind}"}],
        "bindings": {"mqtt": {"qos": 1, "retain": topic.retained, "bindingVersion": _BINDING}},
    }
    if topic.interval:
        operation["description"] = f"At most once per `broker.{topic.interval}` for a topic."
    if topic.received:
        operation["reply"] = {
            "address": {
                "description": "swathe/STATION/reply/ID unless the command names another topic "
                "below swathe/STATION/reply/; swathe/STATION/reply/without.id where no id can "
                "be read",
                "location": "$message.payload#/reply_to",
            },
            "channel": {"$ref": "#/channels/reply"},
            "messages": [{"$ref": "#/channels/reply/messages/reply"}],
        }
    return operation


def _message(topic: _Topic) -> dict[str, Any]:
    message: dict[str, Any] = {
        "name": topic.kind,
        "title": topic.kind,
        "summary": _summary(topic),
        "contentType": "application/json",
        "payload": {"$ref": _REF.format(model=topic.model.__name__)},
        "bindings": {
            "mqtt": {"contentType": "application/json", "bindingVersion": _BINDING},
        },
    }
    if topic.kind in ("command", "reply"):
        message["correlationId"] = {
            "description": "the command's id, which its reply repeats",
            "location": "$message.payload#/id",
        }
    return message
