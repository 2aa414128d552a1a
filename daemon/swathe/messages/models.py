"""What Swathe says over MQTT: one model a topic, each with its name and version.

Lengths are mm, areas mm², times UTC. Every message names the station and the survey it belongs to,
so that a retained message of an older survey can be told from a new one. A field may be added
within a version; what is renamed, removed or given another meaning makes a new version.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Literal

from pydantic import AwareDatetime, Field

from swathe.messages.base import Message, Model, moment, rounded
from swathe.pipeline import (
    DelayEstimate,
    DeviceTally,
    GapCause,
    GapEnd,
    GapNote,
    LineNote,
    Progress,
)

__all__ = [
    "DelayFound",
    "ExcludedExtent",
    "Extent",
    "FaultExcerpt",
    "GapMessage",
    "LineMessage",
    "PlanMessage",
    "PortMessage",
    "ProgressMessage",
    "StateMessage",
]


class Extent(Model):
    """From a lower to a higher border, mm; on a wrapped axis the higher may lie past the seam."""

    low: float = Field(alias="from")
    high: float = Field(alias="to")

    @classmethod
    def of(cls, borders: tuple[float, float]) -> Extent:
        """Return the extent between two borders, rounded to the micrometre."""
        return cls(low=round(borders[0], 3), high=round(borders[1], 3))


class ExcludedExtent(Model):
    """A rectangle that is not asked for."""

    name: str = Field(description="what is there")
    scan: Extent | None = Field(description="borders, mm; null for the whole axis")
    index: Extent | None = Field(description="borders, mm; null for the whole axis")


class PlanMessage(Model):
    """The plan, so that a map can be drawn: the outer borders of its cells and what is left out."""

    scan: Extent
    index: Extent
    scan_resolution: float = Field(description="length of a cell along the scan axis, mm")
    index_resolution: float = Field(description="from line to line, mm")
    lines: int = Field(description="how many; they are numbered from 0")
    profile: bool = Field(description="whether there is one line only and no index axis")
    alert_below: float | None = Field(description="thickness below which there is an alarm, mm")
    excluded: tuple[ExcludedExtent, ...] = Field(description="what is not asked for")


class StateMessage(Message):
    """Whether the station is there and what it does; also the last will."""

    message: Literal["state"] = "state"
    state: Literal["scanning", "paused", "complete", "incomplete", "gone"]
    reason: str = ""
    part: str = ""
    plan: PlanMessage | None = Field(None, description="what is scanned, for whoever draws a map")


class ProgressMessage(Message):
    """How far the survey is and where the probe stands."""

    message: Literal["progress"] = "progress"
    percent: float = Field(description="measured share of the required cells")
    measured: int
    required: int
    open_gaps: int
    line: int | None
    scan: float | None = Field(description="newest position, mm")
    index: float | None = Field(description="newest position, mm")
    speed: float = Field(description="mm/s along the scan axis")
    speed_limit: float | None = Field(
        description="mm/s at which the reading rate still gives each cell its wanted hits"
    )
    too_fast: bool = Field(description="whether cells are about to be skipped")
    slips: int = Field(description="times that two sources of the scan position parted")
    slipped_at: float | None = Field(description="scan position of the last slip, mm")
    rate: float = Field(description="readings per second")
    seconds_left: float | None
    readings: int
    unplaced: int
    outside: int
    minimum: float | None = Field(description="least thickness so far, mm")
    minimum_scan: float | None
    minimum_index: float | None
    minimum_expanded: float | None = Field(
        None, description="expanded uncertainty of the least thickness, 95.45 %, mm"
    )
    suspect: int = Field(
        0, description="cells that a failed check of the calibration puts in doubt"
    )
    check_due: AwareDatetime | None = Field(None, description="when the next check is due")
    check_overdue: bool = Field(False, description="whether that time is over")

    @classmethod
    def of(cls, progress: Progress, *, station: str, survey: str) -> ProgressMessage:
        """Return the message of a picture of the progress."""
        at = progress.minimum_at or (None, None)
        return cls(
            station=station,
            survey=survey,
            time=moment(progress.time),
            # Rounded down, in whole numbers: what is shown as 100 % is 100 %, and 0.29 % is 0.29 %.
            percent=progress.measured * 10_000 // progress.required / 100
            if progress.required
            else 100.0,
            measured=progress.measured,
            required=progress.required,
            open_gaps=progress.open_gaps,
            line=progress.line,
            scan=rounded(progress.scan, 2),
            index=rounded(progress.index, 2),
            speed=round(progress.speed, 1),
            speed_limit=rounded(progress.speed_limit, 1),
            too_fast=progress.too_fast,
            slips=progress.slips,
            slipped_at=rounded(progress.slipped_at, 1),
            rate=round(progress.rate, 1),
            seconds_left=rounded(progress.seconds_left, 0),
            readings=progress.readings,
            unplaced=progress.unplaced,
            outside=progress.outside,
            minimum=rounded(progress.minimum, 3),
            minimum_scan=rounded(at[0], 2),
            minimum_index=rounded(at[1], 2),
            minimum_expanded=rounded(progress.minimum_expanded, 3),
            suspect=progress.suspect,
            check_due=None if progress.check_due is None else moment(progress.check_due),
            check_overdue=progress.check_overdue,
        )


class LineMessage(Message):
    """A line that the probe has left, or that changed after."""

    message: Literal["line"] = "line"
    line: int
    index: float = Field(description="position of the line, mm")
    measured: int
    required: int
    minimum: float | None = Field(description="least thickness on the line, mm")
    minimum_at: float | None = Field(description="its scan position, mm")
    missing: tuple[Extent, ...] = Field(description="stretches not measured")

    @classmethod
    def of(cls, note: LineNote, *, station: str, survey: str, time: datetime) -> LineMessage:
        """Return the message of a line's summary."""
        return cls(
            station=station,
            survey=survey,
            time=time,
            line=note.line,
            index=round(note.index, 3),
            measured=note.measured,
            required=note.required,
            minimum=rounded(note.minimum, 3),
            minimum_at=rounded(note.minimum_at, 2),
            missing=tuple(Extent.of(borders) for borders in note.missing),
        )


class GapMessage(Message):
    """A connected region left behind unmeasured: opened, changed or closed.

    Of a closed gap, cells, causes, area and extents are those that it had at its largest.
    """

    message: Literal["gap"] = "gap"
    id: int = Field(description="number of the gap, for its life")
    status: Literal["open", "closed"]
    cause: GapCause = Field(description="the commonest cause among its cells")
    causes: dict[GapCause, int] = Field(description="cells by cause")
    cells: int = Field(description="cells missing")
    area: float = Field(description="area of its cells, mm²; their length on a line profile, mm")
    scan: Extent
    index: Extent
    opened: AwareDatetime
    closed: AwareDatetime | None = None
    end: GapEnd | None = None
    merged_into: int | None = None

    @classmethod
    def of(cls, note: GapNote, *, station: str, survey: str, time: datetime) -> GapMessage:
        """Return the message of a gap."""
        return cls(
            station=station,
            survey=survey,
            time=time,
            id=note.number,
            status="open" if note.is_open else "closed",
            cause=note.cause,
            causes=note.causes,
            cells=note.cells,
            area=round(note.area, 3),
            scan=Extent.of(note.scan),
            index=Extent.of(note.index),
            opened=moment(note.opened),
            closed=None if note.closed is None else moment(note.closed),
            end=note.end,
            merged_into=note.merged_into,
        )


class FaultExcerpt(Model):
    """Bytes that did not become a record."""

    offset: int = Field(description="byte offset in the port's stream, counted over all runs")
    length: int
    reason: str
    detail: str
    excerpt: str = Field(description="the first bytes, as text with escapes")


class DelayFound(Model):
    """A delay that the scan itself tells."""

    beside_ms: float = Field(description="beside the delay in force, ms")
    error_ms: float | None = Field(description="standard error, ms")
    sure: bool = Field(description="whether the lines agree and the wall shows enough")
    reason: str = Field(description="why it is not sure")

    @classmethod
    def of(cls, estimate: DelayEstimate) -> DelayFound:
        """Return what an estimate tells."""
        return cls(
            beside_ms=round(estimate.delay / 1e6, 3),
            error_ms=round(estimate.error / 1e6, 3) if math.isfinite(estimate.error) else None,
            sure=estimate.sure,
            reason=estimate.reason,
        )


class PortMessage(Message):
    """Health of one device's port."""

    message: Literal["port"] = "port"
    device: str
    state: str
    detail: str
    bytes: int
    readings: int
    positions: int
    glitches: int = Field(description="positions that no probe can have reached, kept out")
    missing: int = Field(description="records that the running number says were lost on the way")
    saturated: int = Field(0, description="readings whose echo was clipped, of A-scans")
    faults: dict[str, int] = Field(description="faults by reason")
    last_fault: FaultExcerpt | None
    stalls: int = Field(description="times that reading waited because the daemon was behind")
    delay: DelayFound | None = Field(
        None, description="of a gauge: what the scan tells of its delay beside the one in force"
    )

    @classmethod
    def of(
        cls,
        device: str,
        tally: DeviceTally,
        *,
        stalls: int,
        delay: DelayEstimate | None = None,
        station: str,
        survey: str,
        time: datetime,
    ) -> PortMessage:
        """Return the message of a device's tally."""
        last = tally.recent[-1] if tally.recent else None
        return cls(
            station=station,
            survey=survey,
            time=time,
            device=device,
            state=tally.state,
            detail=tally.detail,
            bytes=tally.bytes,
            readings=tally.readings,
            positions=tally.positions,
            glitches=tally.glitches,
            missing=tally.missing,
            saturated=tally.saturated,
            faults=dict(sorted(tally.faults.items())),
            stalls=stalls,
            delay=None if delay is None else DelayFound.of(delay),
            last_fault=None
            if last is None
            else FaultExcerpt(
                offset=last.offset,
                length=last.length,
                reason=str(last.reason),
                detail=last.detail,
                excerpt=last.excerpt.decode("ascii", "backslashreplace"),
            ),
        )
