"""What is said over MQTT: versioned models, their topics, and the contract as AsyncAPI document."""

from swathe.messages.alarm import AlarmMessage, RescanMessage
from swathe.messages.asyncapi import asyncapi_document
from swathe.messages.base import Message, moment
from swathe.messages.check import CheckMessage
from swathe.messages.command import CommandMessage, ReplyMessage, ZoneAsked
from swathe.messages.models import (
    ExcludedExtent,
    Extent,
    GapMessage,
    LineMessage,
    PlanMessage,
    PortMessage,
    ProgressMessage,
    StateMessage,
)
from swathe.messages.topics import ROOT, Topics

__all__ = [
    "ROOT",
    "AlarmMessage",
    "CheckMessage",
    "CommandMessage",
    "ExcludedExtent",
    "Extent",
    "GapMessage",
    "LineMessage",
    "Message",
    "PlanMessage",
    "PortMessage",
    "ProgressMessage",
    "ReplyMessage",
    "RescanMessage",
    "StateMessage",
    "Topics",
    "ZoneAsked",
    "asyncapi_document",
    "moment",
]
