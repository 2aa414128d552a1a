"""The messages over MQTT: one model a topic, each with its name and version.

Lengths are mm, areas mm², times UTC. Every message names the station and the survey it belongs to,
so that a retained message of an older survey can be recognized. A field may be added within a
version; what is renamed, removed or given another meaning makes a new version.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from swathe.messages.base import KIND, Heading, Message
from swathe.pipeline import (
    DelayEstimate,
    DeviceTally,
    GapSnapshot,
    LineSnapshot,
    Pipeline,
    ProgressSnapshot,
)
from swathe.pipeline.progress.channel_snapshot import ChannelSnapshot, channel_snapshots
from swathe.pipeline.progress.confirm_snapshot import Where
from swathe.pipeline.progress.delay_snapshot import DelaySnapshot
from swathe.pipeline.progress.fields import Digits, Extent, Snapshot, UtcTime, count_text
from swathe.pipeline.progress.snapshots import ExcludedZoneSnapshot, MarkSnapshot
from swathe.pipeline.progress.time_snapshot import TimeSnapshot, time_snapshots
from swathe.station import beam_on_wall, beam_warnings
from swathe_drivers import Fault

__all__ = [
    "DelayMessage",
    "FaultExcerpt",
    "GapMessage",
    "LineMessage",
    "PlanMessage",
    "PortMessage",
    "ProgressMessage",
    "RunState",
    "StateMessage",
]


class PlanMessage(Snapshot):
    """The plan, so that a map can be drawn: the outer borders of its cells and the excluded zones."""

    scan: Extent = Field(description="outer borders of the cells on the scan axis, mm")
    index: Extent = Field(description="outer borders of the cells on the index axis, mm")
    units: Literal["mm", "in"] = Field(
        "mm",
        description="unit of lengths that the operator reads: texts have it, numbers are mm always",
    )
    scan_resolution: float = Field(description="length of a cell along the scan axis, mm")
    index_resolution: float = Field(description="from line to line, mm")
    lines: int = Field(description="how many; they are numbered from 0")
    profile: bool = Field(description="whether there is one line only and no index axis")
    spots: bool = Field(
        False,
        description="whether its cells are spots without an encoder: a position on the scan axis is "
        "the number of a spot",
    )
    alert_below: float | None = Field(description="thickness below which there is an alarm, mm")
    excluded: tuple[ExcludedZoneSnapshot, ...] = Field(
        description="zones that are not required: those of the plan, and those that were excluded "
        "during the survey"
    )
    marks: tuple[MarkSnapshot, ...] = Field(
        (), description="named marks on the part, for the command 'reference'"
    )
    beam_width: float | None = Field(
        None,
        description="width of the beam on the back wall at nominal thickness (-6 dB), of several probes the "
        "widest, mm: a pit smaller "
        "than it may be missed; null where it is unknown",
    )
    warnings: tuple[str, ...] = Field(
        (), description="where lines or readings are too far apart for the beam"
    )
    scan_turn: Extent | None = Field(
        None,
        description="of a scan axis that is a circumference: from where to where its positions "
        "read, mm; null otherwise",
    )
    index_turn: Extent | None = Field(None, description="likewise of the index axis, mm")
    scan_ends: tuple[str, ...] = Field(
        ("", ""),
        min_length=2,
        max_length=2,
        description="names of the low and the high end of the scan axis; may be empty",
    )
    index_ends: tuple[str, ...] = Field(
        ("", ""), min_length=2, max_length=2, description="likewise of the index axis"
    )

    @property
    def where(self) -> Where:
        """How places of the plan are written."""
        return Where(self.scan_resolution, self.index_resolution, self.profile, self.spots)

    @classmethod
    def of_survey(cls, survey: Pipeline) -> PlanMessage:
        """Return the plan of a survey, with the zones excluded until now."""
        station, scan, index = survey.station, survey.grid.scan, survey.grid.index
        return cls(
            scan=Extent(*scan.edges(0, scan.cells - 1)),
            index=Extent(*index.edges(0, index.cells - 1)),
            units=station.units,
            scan_resolution=scan.resolution,
            index_resolution=index.resolution,
            lines=index.cells,
            profile=station.index is None,
            spots=station.spots is not None,
            alert_below=station.survey.alert_below,
            marks=tuple(MarkSnapshot.model_validate(mark) for mark in station.mark),
            excluded=tuple(
                ExcludedZoneSnapshot.model_validate(zone)
                for zone in (*station.exclude, *survey.requests.zones)
            ),
            beam_width=beam_on_wall(station),
            warnings=tuple(beam_warnings(station)),
            scan_turn=None if scan.turn is None else Extent(*scan.turn),
            index_turn=None if index.turn is None else Extent(*index.turn),
            scan_ends=station.scan.ends,
            index_ends=("", "") if station.index is None else station.index.ends,
        )


RunState = Literal[
    "resuming", "scanning", "paused", "waiting", "faulted", "complete", "incomplete", "offline"
]
"""What a station does. Each is a state of its own, and `swathe.live.run_state` decides which."""


class StateMessage(Message):
    """What the station does; also the last will."""

    message: Annotated[Literal["state"], KIND] = "state"
    state: RunState = Field(
        description="resuming: earlier runs are replayed, or messages of a survey placed again "
        "follow; scanning; paused: readings belong to no cell, by whom is in 'by'; waiting: a person "
        "has to do what 'todo' names; faulted: a fault stopped the crawler, which continues by itself "
        "if it can; complete and incomplete: the run is over; offline: the broker lost the station"
    )
    reason: str = Field("", description="why, in words; empty where there is nothing to add")
    by: str = Field(
        "", description="who paused; 'crawler' where it did by itself; empty in other states"
    )
    todo: str = Field(
        "", description="what a person has to do, and where; empty where nothing is needed"
    )
    since: UtcTime | None = Field(
        None,
        description="when this state was entered; null of 'offline': the newest time of the "
        "station's other messages is the last evidence of it",
    )
    halted: bool = Field(
        False,
        description="of a run that is over and incomplete: whether a fault had stopped the crawler, "
        "and nobody had resumed it",
    )
    resumed: Annotated[float | None, Digits(1)] = Field(
        None, description="of earlier runs so much is replayed, %; null unless resuming"
    )
    resumed_in: Annotated[float | None, Digits(0)] = Field(
        None, description="time until all is, s; null while unknown"
    )
    part: str = Field("", description="what is measured, as in the station file")
    session: str = Field(
        "", description="of the process: a new one each time; two of them are two stations"
    )
    plan: PlanMessage | None = Field(None, description="what is scanned, for whoever draws a map")


class ProgressMessage(ProgressSnapshot, Message):
    """How far the survey is and where the probe is."""

    message: Annotated[Literal["progress"], KIND] = "progress"


class LineMessage(LineSnapshot, Message):
    """A line that the probe has left, or that changed after."""

    message: Annotated[Literal["line"], KIND] = "line"
    joined: int = Field(
        0,
        description="cells in the missing stretches that are measured or excluded: of a line with very many "
        "stretches the closest are joined",
    )


class GapMessage(GapSnapshot, Message):
    """A connected region left behind unmeasured: opened, changed or closed.

    Of a closed gap, cells, causes, area and extents are those that it had at its largest.
    """

    message: Annotated[Literal["gap"], KIND] = "gap"


class FaultExcerpt(Snapshot):
    """Bytes that did not become a record."""

    offset: int = Field(description="byte offset in the port's stream, counted over all runs")
    length: int = Field(description="how many bytes")
    reason: str = Field(description="what is wrong with them, one of a few words")
    detail: str = Field(description="in words")
    excerpt: str = Field(description="the first bytes, as text with escapes")

    @classmethod
    def of(cls, fault: Fault) -> FaultExcerpt:
        """Return a fault with its bytes as readable text."""
        return cls(
            offset=fault.offset,
            length=fault.length,
            reason=str(fault.reason),
            detail=fault.detail,
            excerpt=fault.excerpt.decode("ascii", "backslashreplace"),
        )


class DelayMessage(Snapshot):
    """A delay estimated from the scan itself, against the one in force."""

    offset_ms: Annotated[float, Digits(2)] = Field(description="to add to the delay in force, ms")
    error_ms: Annotated[float | None, Digits(2)] = Field(description="standard error, ms")
    low_ms: Annotated[float | None, Digits(2)] = Field(
        None, description="lower end of the 95 % interval of the offset, ms; null where unbounded"
    )
    high_ms: Annotated[float | None, Digits(2)] = Field(
        None, description="upper end of the 95 % interval of the offset, ms; null where unbounded"
    )
    sure: bool = Field(description="whether the interval is narrow enough to apply the delay")
    reason: str = Field(description="why it is not sure")
    needs: str = Field("", description="what it takes to be sure")

    @classmethod
    def of(cls, estimate: DelayEstimate) -> DelayMessage:
        """Return an estimate in ms."""
        return cls(
            offset_ms=estimate.delay / 1e6,
            error_ms=estimate.error / 1e6,
            low_ms=estimate.low / 1e6,
            high_ms=estimate.high / 1e6,
            sure=estimate.sure,
            reason=estimate.reason,
            needs=estimate.needs,
        )


class PortMessage(Message):
    """Health of one device's port."""

    message: Annotated[Literal["port"], KIND] = "port"
    device: str = Field(description="name of the device, as in the station file")
    state: str = Field(description="of the port: open, or why not")
    detail: str = Field(description="what is wrong, in words; empty while nothing is")
    bytes: int = Field(description="bytes that came, over all runs")
    readings: int = Field(description="readings that were decoded from them")
    positions: int = Field(description="positions that were decoded from them")
    glitches: int = Field(description="positions that no probe can have reached, kept out")
    missing: int = Field(description="records lost before they arrived, by their running number")
    saturated: int = Field(
        0,
        description="readings of A-scans whose echo was clipped: not valid, unless the station "
        "file allows them",
    )
    ambiguous: int = Field(
        0,
        description="valid readings of A-scans whose time may be that of another echo or cycle",
    )
    ambiguous_by: dict[str, int] = Field(
        default={}, description="how many of them for which reason; one may have several"
    )
    undecoded: int = Field(
        0, description="bytes that belong to no record: of faults, of lines or frames to be ignored"
    )
    faults: dict[str, int] = Field(description="faults by reason")
    last_fault: FaultExcerpt | None = Field(description="the newest fault; null before any")
    stalls: int = Field(description="times that reading waited because the daemon was busy")
    delay: DelayMessage | None = Field(
        None, description="of a gauge: its delay estimated from the scan, against the one in force"
    )

    times: tuple[TimeSnapshot, ...] = Field(
        (), description="what the times of its readings and positions rest on"
    )
    applied_delay: DelaySnapshot | None = Field(
        None, description="of a gauge whose readings another device places: the delay in force"
    )

    channels: tuple[ChannelSnapshot, ...] = Field(
        (), description="further numbers that came with its readings, each a layer of the survey"
    )

    @property
    def channel_texts(self) -> list[str]:
        """What its channels held."""
        return [channel.text for channel in self.channels]

    @property
    def echo_texts(self) -> list[str]:
        """What is doubtful about its readings of A-scans, for an operator."""
        texts = []
        if self.saturated:
            texts.append(f"{count_text(self.saturated, 'reading')} clipped: lower the gain")
        if self.ambiguous:
            reasons = ", ".join(f"{count:,} {why}" for why, count in self.ambiguous_by.items())
            texts.append(f"{count_text(self.ambiguous, 'reading')} ambiguous: {reasons}")
        return texts

    @classmethod
    def of_tally(
        cls,
        device: str,
        tally: DeviceTally,
        heading: Heading,
        *,
        stalls: int,
        delay: DelayEstimate | None = None,
        applied: DelaySnapshot | None = None,
    ) -> PortMessage:
        """Return the message of a device's tally."""
        return cls.of(
            tally,
            heading,
            device=device,
            stalls=stalls,
            faults=dict(sorted(tally.faults.items())),
            ambiguous_by=dict(sorted(tally.ambiguous_by.items())),
            channels=channel_snapshots(tally.channels),
            delay=None if delay is None else DelayMessage.of(delay),
            applied_delay=applied,
            times=time_snapshots(tally.times),
            last_fault=FaultExcerpt.of(tally.recent[-1]) if tally.recent else None,
        )
