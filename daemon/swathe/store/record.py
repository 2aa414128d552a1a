"""The survey record: status, coverage, gaps and ports as one JSON file, replaced atomically."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from swathe.display_units import DisplayUnits
from swathe.errors import SurveyError
from swathe.messages import (
    AlarmMessage,
    CheckMessage,
    GapMessage,
    Heading,
    LineMessage,
    PlanMessage,
    PortMessage,
    ProgressMessage,
    moment,
)
from swathe.object_storage import files_of
from swathe.pipeline import Pipeline, RevisionSnapshot
from swathe.pipeline.progress.confirm_snapshot import ConfirmSnapshot, confirm_snapshot
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime
from swathe.pipeline.progress.overlap_snapshot import OverlapSnapshot, overlap_snapshots
from swathe.pipeline.progress.snapshots import MarkSnapshot, ZoneSnapshot, lines_of
from swathe.pipeline.spots.snapshot import SpotSnapshot
from swathe.safe_files import is_dense_json
from swathe.station import thickness_scale
from swathe.store.advice import REBUILD
from swathe.store.calibration import CalibrationSummary, calibration_summary
from swathe.store.damage_record import DamageRecord
from swathe.store.minimum_summary import MinimumSummary, minimum_summary
from swathe.store.quality import (
    PlaceSummary,
    UncertaintySummary,
    footprint_percent,
    place_summary,
    uncertainty_summary,
)
from swathe.store.setup_record import GatesRecord, SensitivityRecord

__all__ = [
    "MOST_RECORD_BYTES",
    "CrawlerRecord",
    "HaltRecord",
    "NoteRecord",
    "ReferenceRecord",
    "ScaleRecord",
    "SlipRecord",
    "StationChangeRecord",
    "SurveyRecord",
    "ZoneRecord",
    "parse_record",
    "read_survey_record",
    "record_bytes",
    "record_of",
    "write_survey_record",
]


MOST_RECORD_BYTES = 64 << 20
"""A record that is larger is not read: 20,000 gaps are a quarter of that."""


class NoteRecord(Snapshot):
    """An operator's note."""

    time: UtcTime
    text: str


class ReferenceRecord(Snapshot):
    """A position of the probe that an operator set."""

    time: UtcTime
    scan: float | None = Field(description="mm; null where it was left")
    index: float | None = Field(description="mm; null where it was left")
    by: str
    mark: str = Field(description="mark of the station file that was named; empty without one")


class ZoneRecord(ZoneSnapshot):
    """A zone that was excluded during the survey."""

    by: str
    time: UtcTime
    because: str = Field("", description="that person's reason; empty where none was given")
    cells: int = Field(0, description="required cells that it took out of the plan")


class StationChangeRecord(Snapshot):
    """A key that the station file of a run changed since the run before."""

    run: int = Field(description="scanning run, from 1")
    time: UtcTime = Field(description="when it began")
    key: str
    before: str = Field(description="value as text; lengths in mm")
    now: str = Field(description="value as text; lengths in mm")
    decisive: bool = Field(
        description="whether it decides where readings belong or what a device's bytes mean"
    )
    because: str = Field(description="reason that was given; empty without one")


class HaltRecord(Snapshot):
    """A motion of the crawler that was stopped before its end."""

    time: UtcTime
    cause: str
    text: str


class ScaleRecord(Snapshot):
    """Ends and marks of the colours and axes of thickness in every picture, mm."""

    low: float = Field(description="thickness of the first colour")
    high: float = Field(description="thickness of the last colour")
    nominal: float | None = Field(description="nominal thickness; null where none is stated")
    alert_below: float | None = Field(description="alert level; null where none is stated")


class SlipRecord(Snapshot):
    """A slip between two sources of an axis's position, and what it made suspect."""

    number: int = Field(description="from 1")
    axis: Literal["scan", "index"]
    time: UtcTime = Field(description="of the sample that shows it")
    agreed: UtcTime = Field(description="when both sources agreed last")
    position: Annotated[float, Digits(2)] = Field(description="of the first source then, mm")
    distance: Annotated[float, Digits(2)] = Field(
        description="by which the first source is behind the second, below zero, or ahead, mm"
    )
    cells: int = Field(description="measured cells that it made suspect")
    later: int = Field(description="cells that were read at unsound positions after it")


class FirstMoveRecord(Snapshot):
    """What the first move of a crawler's run has shown."""

    time: UtcTime
    sound: bool = Field(description="whether it was made and nothing was wrong")
    text: str = Field(description="what was compared, or what is wrong")


class CrawlerRecord(Snapshot):
    """What a crawler that Swathe commanded did in this survey."""

    armings: int = Field(description="how often it was armed")
    halts: tuple[HaltRecord, ...]
    first_moves: tuple[FirstMoveRecord, ...] = ()


class SurveyRecord(Snapshot):
    """Status, coverage, gaps and devices of a survey."""

    version: Literal[1] = 1
    station: str
    survey: str
    part: str
    operator: str = Field(description="of the last run")
    operators: tuple[str, ...] = Field((), description="of all runs, each once, in their order")
    area: str = Field("", description="of the station file; empty where that has no areas")
    status: Literal["scanning", "complete", "incomplete"]
    runs: int
    target_coverage: float
    target_reached: bool
    progress: ProgressMessage
    gaps: tuple[GapMessage, ...]
    lines: tuple[LineMessage, ...]  # of a plan of more than 10,000 lines those that were reached
    ports: tuple[PortMessage, ...]
    notes: tuple[NoteRecord, ...]
    calibration: CalibrationSummary | None = None
    checks: tuple[CheckMessage, ...] = ()
    alarms: tuple[AlarmMessage, ...] = ()
    zones: tuple[ZoneRecord, ...] = Field(
        (), description="excluded during the survey, in addition to those of the plan"
    )
    marks: tuple[MarkSnapshot, ...] = Field((), description="named marks of the station file")
    references: tuple[ReferenceRecord, ...] = Field(
        (), description="positions that operators set, in their order"
    )
    sensitivity: tuple[SensitivityRecord, ...] = Field(
        (), description="checks by a reference echo, in their order"
    )
    gates_changed: tuple[GatesRecord, ...] = Field(
        (), description="in the set-up view before runs, in their order"
    )
    station_changes: tuple[StationChangeRecord, ...] = Field(
        (), description="what the station files of later runs changed, by run"
    )
    plan: PlanMessage | None = Field(None, description="what is scanned; null in older records")
    scale: ScaleRecord | None = Field(
        None, description="of thickness, by the station file of the last run; null in older records"
    )
    revisions: tuple[RevisionSnapshot, ...] = Field(
        (), description="readings that operators discarded or moved, those restored since too"
    )
    confirm: tuple[ConfirmSnapshot, ...] = Field(
        (), description="places whose thickness was doubtful, by number, confirmed or not"
    )
    flags: dict[str, int] = Field(
        default_factory=dict,
        description="required cells with each bit of the layer 'quality', by its name",
    )
    journal_damage: tuple[DamageRecord, ...] = Field(
        (), description="of the journal; what could be read of it is evaluated"
    )
    slips: tuple[SlipRecord, ...] = Field((), description="where two sources of a position parted")
    overlaps: tuple[OverlapSnapshot, ...] = Field(
        (), description="by how much probes of a carriage differ where passes overlap"
    )
    spots: tuple[SpotSnapshot, ...] = Field(
        (), description="of a plan of spots without an encoder, in the order of the plan"
    )
    crawler: CrawlerRecord | None = Field(None, description="null where no crawler was commanded")
    uncertainty: UncertaintySummary | None = Field(
        None,
        description="of a single reading as thick as the minimum; null where it is not known",
    )
    minimum_interval: MinimumSummary | None = Field(
        None,
        description="the minimum as it was read and the interval for the true one; null before any "
        "reading, and in the record of a checkpoint",
    )
    place: PlaceSummary | None = Field(
        None, description="uncertainty of the places; null before any reading of a moving probe"
    )
    footprint_percent: float | None = Field(
        None,
        description="share of the required area within the beam of a reading that counts, %, rounded "
        "down; null where the beam is unknown",
    )
    delays_ms: dict[str, float] = Field(
        default_factory=dict, description="delay in force by device, as subtracted from its times"
    )

    @property
    def display(self) -> DisplayUnits:
        """How lengths are written for a person."""
        return DisplayUnits("mm" if self.plan is None else self.plan.units)

    @property
    def open_gaps(self) -> list[GapMessage]:
        """Gaps that are open."""
        return [gap for gap in self.gaps if gap.status == "open"]


def record_of(
    pipeline: Pipeline, *, with_lines: bool = True, with_gaps: bool = True
) -> SurveyRecord:
    """Return the record of a survey.

    Args:
        pipeline: of the survey.
        with_lines: whether to summarize every line of the grid and to compute the interval of the
            minimum, which takes a moment on a large one; a checkpoint during a scan does without.
        with_gaps: whether to describe every gap; `RecordText` puts them into the text by itself.
    """
    name, survey = pipeline.station.name, pipeline.survey
    heading: Heading = {"station": name, "survey": survey, "time": moment(pipeline.time)}
    settings, crawler = pipeline.station.survey, pipeline.crawler
    delays = pipeline.delay_snapshots()
    return SurveyRecord(
        station=name,
        survey=survey,
        part=settings.part,
        operator=settings.operator,
        operators=tuple(pipeline.operators),
        area=pipeline.station.chosen.area,
        status=pipeline.status,
        runs=pipeline.runs,
        target_coverage=settings.target_coverage,
        target_reached=pipeline.target_reached,
        progress=ProgressMessage.of(pipeline.progress(), heading),
        gaps=tuple(
            GapMessage.of(gap, heading) for gap in (pipeline.gap_snapshots() if with_gaps else ())
        ),
        lines=tuple(
            LineMessage.of(pipeline.line_snapshot(row), heading)
            for row in (lines_of(pipeline.grid) if with_lines else ())
        ),
        ports=tuple(
            PortMessage.of_tally(device, tally, heading, stalls=0, applied=delays.get(device))
            for device, tally in sorted(pipeline.tallies.items())
        ),
        delays_ms={name: delay / 1e6 for name, delay in pipeline.delays.items()},
        calibration=calibration_summary(pipeline),
        checks=tuple(
            CheckMessage.of_check(check, heading) for check in pipeline.suspect_cells.checks.checks
        ),
        alarms=tuple(AlarmMessage.of_alarm(alarm, heading) for alarm in pipeline.alarms.alarms),
        zones=tuple(ZoneRecord.model_validate(zone) for zone in pipeline.requests.zones),
        revisions=tuple(pipeline.revision_snapshots()),
        confirm=tuple(
            confirm_snapshot(one, pipeline.grid) for one in pipeline.spurious.register.places
        ),
        flags={str(flag.name).lower(): n for flag, n in pipeline.spurious.counts().items() if n},
        marks=tuple(MarkSnapshot.model_validate(mark) for mark in pipeline.station.mark),
        references=tuple(ReferenceRecord.model_validate(one) for one in pipeline.references),
        sensitivity=tuple(SensitivityRecord.model_validate(one) for one in pipeline.setup.checks),
        gates_changed=tuple(GatesRecord.model_validate(one) for one in pipeline.setup.gates),
        station_changes=tuple(
            StationChangeRecord(
                run=one.run, time=one.time, because=one.because, **asdict(one.change)
            )
            for one in pipeline.station_history.changes
        ),
        journal_damage=tuple(
            DamageRecord.model_validate(asdict(one)) for one in pipeline.losses.sorted_damage
        ),
        plan=PlanMessage.of_survey(pipeline),
        scale=ScaleRecord.model_validate(thickness_scale(pipeline.station)),
        overlaps=overlap_snapshots(pipeline.carriage.overlaps, pipeline.station),
        slips=tuple(SlipRecord.model_validate(slip) for slip in pipeline.slipped_cells.slips),
        spots=pipeline.spot_snapshots(),
        crawler=CrawlerRecord.model_validate(crawler) if crawler.armings or crawler.halts else None,
        uncertainty=uncertainty_summary(pipeline),
        minimum_interval=minimum_summary(pipeline) if with_lines else None,
        place=place_summary(pipeline),
        footprint_percent=(footprint_percent(pipeline) if with_lines else None),
        notes=tuple(NoteRecord(time=at, text=text) for at, text in pipeline.notes),
    )


def record_bytes(record: SurveyRecord) -> bytes:
    """Return a record as the contents of its file."""
    return record.model_dump_json(indent=1, by_alias=True).encode()


def write_survey_record(path: Path, record: SurveyRecord) -> None:
    """Replace the record at `path`; a reader sees the old or the new one, never a part.

    Raises:
        SurveyError: the disk is full or absent; make room and ``swathe rebuild``.
    """
    try:
        files_of(path.parent).replace(path.name, record_bytes(record))
    except OSError as error:
        raise SurveyError(path, f"cannot be written: {error.strerror}") from error


def parse_record(data: bytes) -> SurveyRecord:
    """Return the record in the contents of its file.

    Raises:
        ValueError: it is none, or has more values than a record of that size.
    """
    if is_dense_json(data):
        message = "has more values than a record of this size"
        raise ValueError(message)
    return SurveyRecord.model_validate_json(data)


def read_survey_record(path: Path) -> SurveyRecord:
    """Return the record at `path`.

    Raises:
        SurveyError: it is missing or damaged; ``swathe rebuild`` writes it again from the journal.
    """
    try:
        data = files_of(path.parent).read(path.name, limit=MOST_RECORD_BYTES)
        return parse_record(data)
    except FileNotFoundError:
        raise SurveyError(path, f"is missing: {REBUILD}") from None
    except (OSError, ValueError) as error:
        message = f"cannot be read: {REBUILD} ({error})"
        raise SurveyError(path, message) from error
