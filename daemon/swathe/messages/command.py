"""Commands to a station and its replies."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from swathe.messages.base import KIND, Message
from swathe.messages.topics import ROOT
from swathe.pipeline import CheckPhase
from swathe.pipeline.progress.fields import Snapshot, UtcTime
from swathe.pipeline.progress.revision_snapshots import StretchSnapshot
from swathe.pipeline.progress.snapshots import ZoneSnapshot

__all__ = ["CommandMessage", "ReplyMessage"]

_NEEDS = {
    "exclude": ("zone",),
    "rescan": ("gap",),
    "acknowledge": ("alarm",),
    "discard": ("stretch", "text"),
    "move": ("stretch", "line", "text"),
    "restore": ("revision", "text"),
    "confirm": ("number", "text"),
    "reject": ("number", "text"),
    "spot": ("spot",),
    "accept spot": ("text",),
    "close spot": ("text",),
    "reopen spot": ("text",),
}


class CommandMessage(Snapshot):
    """A command to a station. A retained one is never executed, nor one that is too old.

    The same command with the same id within 25 s is answered again, not executed again; later, or
    with other contents, the id is refused.
    """

    version: Literal[1] = Field(1, description="of the contract")
    command: Literal[
        "next line",
        "previous line",
        "line blocked",
        "line",
        "note",
        "pause",
        "resume",
        "exclude",
        "rescan",
        "acknowledge",
        "reference",
        "discard",
        "move",
        "restore",
        "confirm",
        "reject",
        "sensitivity",
        "spot",
        "take",
        "accept spot",
        "close spot",
        "reopen spot",
        "check",
        "check step",
        "check redo",
        "check skip",
        "check give up",
        "stop",
        "alive",
    ] = Field(description="what is to be done; the fields that it needs are named at each")
    id: str = Field(
        pattern=r"^[A-Za-z0-9_-]{1,64}$",
        description="chosen by the sender, a new one each time; the reply repeats it",
    )
    by: str = Field(min_length=1, max_length=80, description="who gives the command")
    time: UtcTime | None = Field(
        None,
        description="when it was given, by the sender's clock: refused when it differs from the "
        "station's by more than `broker.command_lifetime`. Required over MQTT 3.1.1",
    )
    session: str | None = Field(
        None,
        min_length=1,
        max_length=40,
        description="the session of the state message, to command that process only; required while "
        "two stations have the same name",
    )
    reply_to: str | None = Field(
        None,
        max_length=200,
        pattern=rf"^{ROOT}/[^/+#$]+/reply/[^+#$]+$",
        description="topic for the reply, below swathe/STATION/reply/; swathe/STATION/reply/ID by "
        "default",
    )
    line: int | None = Field(
        None,
        ge=0,
        description="for 'line': the line to continue with; for 'move': the line that the readings "
        "are of",
    )
    text: str = Field(
        "",
        max_length=1000,
        description="for 'note'; the reason for 'pause', 'exclude', 'discard', 'move', 'restore', "
        "'confirm', 'reject', 'accept spot', 'close spot', 'reopen spot', 'check skip' and "
        "'check give up', of which 'pause', 'exclude' and the last two may lack it",
    )
    stretch: StretchSnapshot | None = Field(
        None, description="for 'discard' and 'move': which readings"
    )
    revision: int | None = Field(
        None, ge=1, description="for 'restore': the discard or move to take back"
    )
    number: int | None = Field(
        None,
        ge=1,
        description="for 'confirm' and 'reject': the place whose thickness is real, or spurious",
    )
    zone: ZoneSnapshot | None = Field(None, description="for 'exclude': what is not to be scanned")
    gap: int | None = Field(None, ge=1, description="for 'rescan': the gap to return to")
    alarm: int | None = Field(None, ge=1, description="for 'acknowledge': the alarm to acknowledge")

    scan: float | None = Field(
        None, allow_inf_nan=False, description="for 'reference': where the probe rests, mm"
    )
    index: float | None = Field(
        None, allow_inf_nan=False, description="for 'reference': likewise on the index axis, mm"
    )

    mark: str | None = Field(
        None,
        min_length=1,
        max_length=80,
        description="for 'reference': name of the mark at which the probe rests, instead",
    )

    spot: str | None = Field(
        None,
        min_length=1,
        max_length=40,
        description="for 'spot': the one to read next; for 'take', 'accept spot', 'close spot' and "
        "'reopen spot': which one, by default that to be read next",
    )

    phase: CheckPhase | None = Field(
        None,
        description="for 'check': before, at an interval or after the scan; by default before any "
        "reading, or else at an interval",
    )

    probe: str | None = Field(
        None,
        min_length=1,
        max_length=32,
        description="for 'check': the only one of several probes to check; all by default; for "
        "'sensitivity': which of several probes is on the reference",
    )

    @model_validator(mode="after")
    def _has_its_argument(self) -> Self:
        for need in _NEEDS.get(self.command, ()):
            if getattr(self, need) in (None, ""):
                message = f"must have '{need}' with '{self.command}'"
                raise ValueError(message)
        if self.command == "reference":
            positions = self.scan is not None or self.index is not None
            if positions is (self.mark is not None):
                message = "must have 'scan', 'index' or both, or else 'mark', with 'reference'"
                raise ValueError(message)
        return self


class ReplyMessage(Message):
    """The reply to a command."""

    message: Annotated[Literal["reply"], KIND] = "reply"
    id: str = Field(description="of the command; empty where it has none that can be read")
    accepted: bool = Field(description="whether it was executed")
    detail: str = Field(description="what was done, or 'refused: ' and the reason")
    session: str = Field("", description="of the process that replies, as in the state message")
