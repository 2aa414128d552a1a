"""The messages of alarms, and of gaps that somebody wants to be scanned again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import KIND, Heading, Message
from swathe.pipeline import Alarm, GapSnapshot, RequestedGap
from swathe.pipeline.progress.fields import Digits, Extent, Snapshot, UtcTime
from swathe.station import AlarmKind

__all__ = ["AlarmMessage", "AlarmsMessage", "RescanMessage", "WantedExtent"]


class AlarmMessage(Message):
    """Something that somebody should look at: raised, or over."""

    message: Annotated[Literal["alarm"], KIND] = "alarm"
    number: int = Field(description="of the alarm, from 1")
    kind: AlarmKind = Field(description="what it is about")
    status: Literal["raised", "over"] = Field(description="whether its reason lasts")
    detail: str = Field(description="in words")
    device: str = Field(description="whose port; empty for other kinds")
    scan: Extent | None = Field(description="where, mm; null without a position")
    index: Extent | None = Field(description="where, mm; null without a position")
    minimum_scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="of the cell with the minimum thickness, mm; null for other kinds"
    )
    minimum_index: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="of the cell with the minimum thickness, mm; null for other kinds"
    )
    since: UtcTime = Field(description="when its reason began")
    until: UtcTime | None = Field(description="when it ended; null while it lasts")
    acknowledged_by: str = Field(description="who has seen it; empty before anybody did")
    acknowledged: UtcTime | None = Field(description="and when")

    @classmethod
    def of_alarm(cls, alarm: Alarm, heading: Heading) -> AlarmMessage:
        """Return the message of an alarm."""
        return cls.of(alarm, heading, status="raised" if alarm.until is None else "over")


class AlarmsMessage(Message):
    """How many alarms there are, in one message; each has a topic of its own."""

    message: Annotated[Literal["alarms"], KIND] = "alarms"
    raised: int = Field(description="alarms whose reason lasts")
    unacknowledged: int = Field(description="of these, those that nobody has acknowledged")
    kinds: tuple[AlarmKind, ...] = Field(description="what they are about, the newest first")
    text: str = Field(description="of the newest, in words; empty while there is none")

    @classmethod
    def of_alarms(cls, alarms: Sequence[Alarm], heading: Heading) -> AlarmsMessage:
        """Return the message of all alarms of a survey, those that are over among them."""
        raised = [alarm for alarm in reversed(alarms) if alarm.until is None]
        return cls(
            **heading,
            raised=len(raised),
            unacknowledged=sum(not alarm.acknowledged_by for alarm in raised),
            kinds=tuple(dict.fromkeys(AlarmKind(alarm.kind) for alarm in raised)),
            text=raised[0].detail if raised else "",
        )


class WantedExtent(Snapshot):
    """A gap that is to be scanned again."""

    gap: int = Field(description="its number")
    by: str = Field(description="who requested it")
    requested: UtcTime = Field(description="when")
    scan: Extent = Field(description="its borders, mm")
    index: Extent = Field(description="its borders, mm")


class RescanMessage(Message):
    """The gaps that are to be scanned again next; for who steers the probe."""

    message: Annotated[Literal["rescan"], KIND] = "rescan"
    wanted: tuple[WantedExtent, ...] = Field(description="in this order; empty when there is none")

    @classmethod
    def of_wanted(
        cls, wanted: list[tuple[RequestedGap, GapSnapshot]], heading: Heading
    ) -> RescanMessage:
        """Return the message of what is wanted, each with its gap as it is."""
        extents = tuple(
            WantedExtent(
                gap=one.number, by=one.by, requested=one.time, scan=gap.scan, index=gap.index
            )
            for one, gap in wanted
        )
        return cls(**heading, wanted=extents)
