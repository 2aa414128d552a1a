"""The message of a crawler: what its machine does, what stopped it, and where it is."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import KIND, Message
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime

__all__ = ["CrawlerFault", "CrawlerMessage", "CrawlerState"]

# As `swathe.motion.State` has them: a run without a crawler does not import that package.
CrawlerState = Literal[
    "disarmed",
    "armed",
    "homing",
    "moving",
    "stopping",
    "failing",
    "stopped",
    "faulted",
    "ended",
]
"""What a machine may do now."""


class CrawlerFault(Snapshot):
    """What stopped a crawler: the first fault since it was last resumed."""

    cause: str = Field(description="what stopped it, such as 'motor and encoder disagree'")
    text: str = Field(description="in words: measured value, limit and likely cause, where known")
    measured: Annotated[float | None, Digits(3)] = Field(
        None, description="the value that was beyond its limit, in 'unit'; null where it is none"
    )
    limit: Annotated[float | None, Digits(3)] = Field(
        None, description="the limit of the station file that it is compared with, in 'unit'"
    )
    unit: str = Field("", description="of both: mm or ms")
    likely: str = Field(
        "",
        description="likely cause, such as wheel slip; empty where the evidence suggests none",
    )
    since: UtcTime = Field(description="when it was noticed")


class CrawlerMessage(Message):
    """What the crawler of a run does; published only where it may move in this run."""

    message: Annotated[Literal["crawler"], KIND] = "crawler"
    state: CrawlerState = Field(
        description="of the machine: disarmed, armed (at rest between two moves), homing, moving, "
        "stopping, failing (a stop because of a fault is sent), stopped, faulted, ended"
    )
    since: UtcTime = Field(description="when that state was entered")
    armed: bool = Field(description="whether it may move at any moment without a further word")
    moving: bool = Field(
        description="whether motion may be on: also after a stop is sent, until it is at rest"
    )
    doing: str = Field("", description="what it does, or waits for, in words")
    todo: str = Field(
        "", description="what a person has to do before it continues; empty where nothing is needed"
    )
    fault: CrawlerFault | None = Field(None, description="what stopped it; null while nothing did")
    resume_from: tuple[Literal["station", "page", "mqtt"], ...] = Field(
        ("station",), description="from where it may be resumed after it has stopped"
    )
    target_scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="position that the move under way leads to, mm; null at rest"
    )
    target_index: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="likewise on the index axis, mm"
    )
    motor_scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="position that the machine reports, mm; null before its first report"
    )
    motor_index: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="likewise on the index axis, mm"
    )
    encoder_scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="position that the encoder measures, mm; null while it is not known"
    )
    encoder_index: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="likewise on the index axis, mm; null without an encoder"
    )
    line: int | None = Field(
        None, description="lines of the raster begun so far, this one included; null outside of it"
    )
    lines: int | None = Field(None, description="lines of the raster; null outside of it")
