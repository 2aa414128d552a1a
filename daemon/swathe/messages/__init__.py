"""What is said over MQTT: versioned models, their topics and their JSON Schemas."""

from swathe.messages.base import Message, moment
from swathe.messages.check import CheckMessage
from swathe.messages.models import (
    CommandMessage,
    Extent,
    GapMessage,
    LineMessage,
    PortMessage,
    ProgressMessage,
    ReplyMessage,
    StateMessage,
)
from swathe.messages.schemas import describe_messages
from swathe.messages.topics import ROOT, Topics

__all__ = [
    "ROOT",
    "CheckMessage",
    "CommandMessage",
    "Extent",
    "GapMessage",
    "LineMessage",
    "Message",
    "PortMessage",
    "ProgressMessage",
    "ReplyMessage",
    "StateMessage",
    "Topics",
    "describe_messages",
    "moment",
]
