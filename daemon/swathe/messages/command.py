"""What a station may be told, and what it answers."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from swathe.messages.base import Message
from swathe.messages.topics import ROOT
from swathe.pipeline.progress.fields import Snapshot
from swathe.pipeline.progress.snapshots import ZoneSnapshot

__all__ = ["CommandMessage", "ReplyMessage"]


class CommandMessage(Snapshot):
    """What a station may be told. A retained command is never obeyed.

    The same command, id and all, that comes again within 30 s is answered again, not obeyed again.
    """

    version: Literal[1] = 1
    command: Literal[
        "next line",
        "line",
        "note",
        "pause",
        "resume",
        "exclude",
        "rescan",
        "acknowledge",
        "stop",
        "alive",
    ]
    id: str = Field(
        pattern=r"^[A-Za-z0-9_-]{1,64}$",
        description="chosen by the sender, a new one each time; the answer carries it",
    )
    by: str = Field(min_length=1, max_length=80, description="who says so")
    reply_to: str | None = Field(
        None,
        min_length=1,
        max_length=200,
        description="topic on which the answer is wanted; swathe/STATION/reply/ID unless told",
    )
    line: int | None = Field(None, ge=0, description="for 'line': the line to go on with")
    text: str = Field("", max_length=1000, description="for 'note'; for 'pause' the reason")
    zone: ZoneSnapshot | None = Field(None, description="for 'exclude': what is not to be scanned")
    gap: int | None = Field(None, ge=1, description="for 'rescan': the gap to go back to")
    alarm: int | None = Field(None, ge=1, description="for 'acknowledge': the alarm that was seen")

    @field_validator("reply_to")
    @classmethod
    def _reply_to_a_place_for_replies(cls, topic: str | None) -> str | None:
        if topic is None:
            return None
        if "+" in topic or "#" in topic or "\0" in topic or topic.startswith("$"):
            msg = "must be a topic without + and #"
            raise ValueError(msg)
        parts = topic.split("/")
        if parts[0] == ROOT and (len(parts) < 4 or parts[2] != "reply"):
            msg = f"must not be one of Swathe's own topics, but for {ROOT}/STATION/reply/..."
            raise ValueError(msg)
        return topic

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        needs = {"exclude": "zone", "rescan": "gap", "acknowledge": "alarm"}.get(self.command)
        if needs is not None and getattr(self, needs) is None:
            msg = f"must have '{needs}' with '{self.command}'"
            raise ValueError(msg)
        return self


class ReplyMessage(Message):
    """The answer to a command."""

    message: Literal["reply"] = "reply"
    id: str = Field(description="of the command")
    accepted: bool
    detail: str = Field(description="what was done, or 'refused: ' and why")
