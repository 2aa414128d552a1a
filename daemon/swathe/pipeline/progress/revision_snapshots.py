"""Readings that operators discarded or moved to another line, as they are published."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.progress.fields import Extent, Snapshot, UtcTime, clock_text, extent_text

__all__ = ["RevisionSnapshot", "StretchSnapshot", "stretch_text"]


class StretchSnapshot(Snapshot):
    """Readings that an operator means; all conditions that are given hold together.

    Only readings that were taken before the command are meant.
    """

    line: int | None = Field(None, ge=0, description="row of the grid that they are on, from 0")
    scan: Extent | None = Field(
        None, description="borders of their positions along the scan axis, mm, both included"
    )
    last: float | None = Field(
        None,
        gt=0,
        le=31_536_000,
        description="taken in so many seconds before the command, s, at most a year",
    )
    begin: str | None = Field(
        None,
        min_length=1,
        max_length=1000,
        description="taken at or after this: a UTC time in ISO 8601, or the text of a note",
    )
    end: str | None = Field(
        None, min_length=1, max_length=1000, description="taken before this: likewise"
    )

    @model_validator(mode="after")
    def _has_a_condition(self) -> Self:
        if not any((self.line is not None, self.scan, self.last is not None, self.begin, self.end)):
            message = "must have 'line', 'scan', 'last', 'begin' or 'end'"
            raise ValueError(message)
        return self


class RevisionSnapshot(Snapshot):
    """What an operator changed about readings afterwards; the bytes and their times stay."""

    number: int = Field(description="from 1")
    kind: Literal["discard", "move"] = Field(
        description="whether the readings count for no cell, or for another line"
    )
    line: int | None = Field(description="row of the grid that the readings were on; null for any")
    to_line: int | None = Field(description="row that they are moved to; null where discarded")
    scan: Extent | None = Field(
        description="borders of their positions, mm, both included; null for the whole axis"
    )
    begin: UtcTime | None = Field(
        description="taken at or after this; null from the first reading on"
    )
    end: UtcTime | None = Field(description="taken before this; null until the revision was made")
    by: str = Field(description="who did it")
    because: str = Field(description="why")
    time: UtcTime = Field(description="when it was done")
    readings: int | None = Field(
        description="placed readings that it takes out or moves, 0 once it is restored; null until "
        "the survey is placed with it"
    )
    restored_by: str = Field("", description="who took it back; empty while it is in force")
    restored_because: str = Field("", description="why")
    restored: UtcTime | None = Field(None, description="when; null while it is in force")


def stretch_text(revision: RevisionSnapshot, units: DisplayUnits = MILLIMETRES) -> str:
    """Return which readings a revision is about, as text.

    Such as ``line 5, 100…240 mm, from 10:31:04 to 10:32:11 UTC``; the date is that of the revision
    where none is given.
    """
    parts = [] if revision.line is None else [f"line {revision.line}"]
    if revision.scan is not None:
        parts.append(units.with_unit(extent_text(revision.scan, None, units)))
    begin, end = (clock_text(at, revision.time) for at in (revision.begin, revision.end))
    if begin and end:
        parts.append(f"from {begin} to {end} UTC")
    elif begin or end:
        parts.append(f"since {begin} UTC" if begin else f"until {end} UTC")
    return ", ".join(parts)
