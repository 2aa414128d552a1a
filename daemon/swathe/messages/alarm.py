"""What Swathe says of alarms, and of gaps that somebody wants scanned again."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import AwareDatetime, Field

from swathe.messages.base import Message, Model, moment
from swathe.messages.models import Extent
from swathe.pipeline import Alarm, GapNote, WantedGap
from swathe.station import AlarmKind

__all__ = ["AlarmMessage", "RescanMessage", "WantedExtent"]


class AlarmMessage(Message):
    """Something that somebody should look at: raised, or over."""

    message: Literal["alarm"] = "alarm"
    id: int = Field(description="number of the alarm, from 1")
    kind: AlarmKind = Field(description="what it is about")
    status: Literal["raised", "over"] = Field(description="whether its reason lasts")
    detail: str = Field(description="in words")
    device: str = Field(description="whose port; empty for other kinds")
    scan: Extent | None = Field(description="where, mm; null without a place")
    index: Extent | None = Field(description="where, mm; null without a place")
    since: AwareDatetime = Field(description="when its reason began")
    until: AwareDatetime | None = Field(description="when it ended; null while it lasts")
    acknowledged_by: str = Field(description="who has seen it; empty before anybody did")
    acknowledged: AwareDatetime | None = Field(description="and when")

    @classmethod
    def of(cls, alarm: Alarm, *, station: str, survey: str, time: datetime) -> AlarmMessage:
        """Return the message of an alarm."""
        return cls(
            station=station,
            survey=survey,
            time=time,
            id=alarm.number,
            kind=alarm.kind,
            status="raised" if alarm.until is None else "over",
            detail=alarm.detail,
            device=alarm.device,
            scan=None if alarm.scan is None else Extent.of(alarm.scan),
            index=None if alarm.index is None else Extent.of(alarm.index),
            since=moment(alarm.since),
            until=None if alarm.until is None else moment(alarm.until),
            acknowledged_by=alarm.acknowledged_by,
            acknowledged=None if alarm.acknowledged is None else moment(alarm.acknowledged),
        )


class WantedExtent(Model):
    """A gap that is to be scanned again."""

    gap: int = Field(description="its number")
    by: str = Field(description="who wants it")
    asked: AwareDatetime = Field(description="since when")
    scan: Extent = Field(description="its borders, mm")
    index: Extent = Field(description="its borders, mm")


class RescanMessage(Message):
    """The gaps that are to be scanned again next; for who steers the probe."""

    message: Literal["rescan"] = "rescan"
    wanted: tuple[WantedExtent, ...] = Field(description="in this order; empty when there is none")

    @classmethod
    def of(
        cls,
        wanted: list[tuple[WantedGap, GapNote]],
        *,
        station: str,
        survey: str,
        time: datetime,
    ) -> RescanMessage:
        """Return the message of what is wanted, each with its gap as it is."""
        return cls(
            station=station,
            survey=survey,
            time=time,
            wanted=tuple(
                WantedExtent(
                    gap=one.number,
                    by=one.by,
                    asked=moment(one.time),
                    scan=Extent.of(gap.scan),
                    index=Extent.of(gap.index),
                )
                for one, gap in wanted
            ),
        )
