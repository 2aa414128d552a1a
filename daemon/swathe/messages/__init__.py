"""The messages over MQTT: versioned models and their topics.

The contract as a document is in `swathe.messages.asyncapi`, which a run does not need.
"""

from swathe.messages.alarm import AlarmMessage, AlarmsMessage, RescanMessage
from swathe.messages.base import Heading, Message
from swathe.messages.check import (
    CheckingMessage,
    CheckMessage,
    CheckResult,
    ProbeInCheck,
    newest_checks,
)
from swathe.messages.command import CommandMessage, ReplyMessage
from swathe.messages.confirm import ConfirmMessage
from swathe.messages.crawler import CrawlerFault, CrawlerMessage
from swathe.messages.gap_index import GapBlock, GapIndexMessage
from swathe.messages.models import (
    DelayMessage,
    GapMessage,
    LineMessage,
    PlanMessage,
    PortMessage,
    ProgressMessage,
    RunState,
    StateMessage,
)
from swathe.messages.revisions import RevisionsMessage
from swathe.messages.run_words import STATE_TITLES, STATE_WORDS
from swathe.messages.spots import SpotMessage, SpotsMessage
from swathe.messages.topics import ROOT, Topics
from swathe.pipeline.progress.confirm_snapshot import ConfirmSnapshot
from swathe.pipeline.progress.fields import Extent, moment
from swathe.pipeline.progress.revision_snapshots import RevisionSnapshot, StretchSnapshot
from swathe.pipeline.progress.snapshots import ExcludedZoneSnapshot, ZoneSnapshot

__all__ = [
    "ROOT",
    "STATE_TITLES",
    "STATE_WORDS",
    "AlarmMessage",
    "AlarmsMessage",
    "CheckMessage",
    "CheckResult",
    "CheckingMessage",
    "CommandMessage",
    "ConfirmMessage",
    "ConfirmSnapshot",
    "CrawlerFault",
    "CrawlerMessage",
    "DelayMessage",
    "ExcludedZoneSnapshot",
    "Extent",
    "GapBlock",
    "GapIndexMessage",
    "GapMessage",
    "Heading",
    "LineMessage",
    "Message",
    "PlanMessage",
    "PortMessage",
    "ProbeInCheck",
    "ProgressMessage",
    "ReplyMessage",
    "RescanMessage",
    "RevisionSnapshot",
    "RevisionsMessage",
    "RunState",
    "SpotMessage",
    "SpotsMessage",
    "StateMessage",
    "StretchSnapshot",
    "Topics",
    "ZoneSnapshot",
    "moment",
    "newest_checks",
]
