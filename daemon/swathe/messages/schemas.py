"""The message models as JSON Schemas, for those who read the messages without Python."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from swathe.messages.check import CheckMessage
from swathe.messages.models import (
    CommandMessage,
    GapMessage,
    LineMessage,
    PortMessage,
    ProgressMessage,
    ReplyMessage,
    StateMessage,
)
from swathe.messages.topics import ROOT

__all__ = ["describe_messages"]

_MODELS: dict[str, tuple[type[BaseModel], bool]] = {
    "state": (StateMessage, True),
    "progress": (ProgressMessage, True),
    "line/{number}": (LineMessage, True),
    "gap/{number}": (GapMessage, True),
    "check/{number}": (CheckMessage, True),
    "port/{device}": (PortMessage, True),
    "command": (CommandMessage, False),
    "reply/{id}": (ReplyMessage, False),
}


def describe_messages() -> dict[str, Any]:
    """Return, by topic, whether it is retained and the JSON Schema (2020-12) of its payload."""
    return {
        f"{ROOT}/{{station}}/{topic}": {
            "retained": retained,
            "schema": {
                "$schema": "https://json-schema.org/draft/2020-12/schema",
                **model.model_json_schema(by_alias=True, mode="serialization"),
            },
        }
        for topic, (model, retained) in _MODELS.items()
    }
