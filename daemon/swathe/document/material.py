"""What a report is made from: record, arrays, evaluation, and what a check of the files found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version
from typing import TYPE_CHECKING

from pydantic import ValidationError

from swathe.document.map_cells import MapCells, read_map_cells
from swathe.errors import JournalError, StationError, SurveyError, SwatheError
from swathe.evaluation import CellSource, Evaluation, EvaluationWishes, evaluate_arrays
from swathe.pipeline.progress.fields import count_text, number_text
from swathe.report.evaluation_text import EvaluationText
from swathe.station import ReportSettings, Station
from swathe.store import (
    SurveyCheck,
    SurveyFolder,
    SurveyRecord,
    check_survey,
    damage_since,
    ending_text,
    last_entry_time,
    open_arrays,
    read_verified_record,
    unverified_reason,
)

if TYPE_CHECKING:
    import zarr

__all__ = ["ReportMaterial", "ReportWishes", "gather"]

# Blocks of a map, rows and columns: more are not visible on the strips of a page.
_MOST_BLOCKS = (3000, 6000)


@dataclass(frozen=True)
class ReportWishes:
    """What is asked of a report.

    Attributes:
        fill: entries of the cover by their key in ``[report]``, instead of the station file's.
        evaluation: what is evaluated; the alert level is the level unless levels are given.
        lines: index positions of the lines to draw, mm; that of the lowest place unless given.
        made: when the report is made; now unless given.
    """

    fill: Mapping[str, str] = field(default_factory=dict)
    evaluation: EvaluationWishes = field(default_factory=EvaluationWishes)
    lines: Sequence[float] = ()
    made: datetime = field(default_factory=lambda: datetime.now(UTC))


@dataclass(frozen=True)
class ReportMaterial:
    """What is known of a survey.

    Attributes:
        folder: the survey.
        record: its record.
        wishes: what is asked of the report.
        entries: of the cover.
        station: of the newest run that scanned; None where the journal holds none.
        begun: when the first run began; None where unknown.
        ended: time of the journal's last entry; None where unknown.
        group: arrays; None where they cannot be read, and for spots.
        found: their evaluation; likewise.
        cells: for maps; likewise, and of a line profile.
        no_figures: why there are no figures over cells; empty where there are, and for spots.
        check: what a check of the files found; None where none was made.
        no_check: why not.
        warnings: what keeps the figures from being taken as they are.
        version: of Swathe.
    """

    folder: SurveyFolder
    record: SurveyRecord
    wishes: ReportWishes
    entries: ReportSettings
    station: Station | None
    begun: datetime | None
    ended: datetime | None
    group: zarr.Group | None
    found: Evaluation | None
    cells: MapCells | None
    no_figures: str
    check: SurveyCheck | None
    no_check: str
    warnings: tuple[str, ...]
    version: str

    @property
    def text(self) -> EvaluationText | None:
        """The evaluation as text; None without one."""
        return None if self.found is None else EvaluationText(self.found)


def gather(folder: SurveyFolder, wishes: ReportWishes) -> ReportMaterial:
    """Return what a report of a survey is made from; arrays are read band by band.

    Raises:
        SurveyError: the record is missing or is not the one that was written.
        SwatheError: an entry of the cover, a level, a zone or the like is none.
    """
    record, unverified = read_verified_record(folder)
    unverified = unverified or unverified_reason(folder)
    station = _station(folder)
    entries = _entries(ReportSettings() if station is None else station.report, wishes.fill)
    group: zarr.Group | None = None
    found: Evaluation | None = None
    cells: MapCells | None = None
    no_figures = ""
    if record.spots:
        _refuse_of_spots(wishes.evaluation)
    else:
        try:
            group = open_arrays(folder)
            found = evaluate_arrays(group, record=record, **_evaluation(wishes, record))
            source = CellSource.of(group)
            if source.index.cells > 1:
                cells = read_map_cells(source, _MOST_BLOCKS)
        except SurveyError as error:
            group = found = cells = None
            no_figures = str(error)
    check, no_check = _checked(folder)
    return ReportMaterial(
        folder=folder,
        record=record,
        wishes=wishes,
        entries=entries,
        station=station,
        begun=_begun(folder),
        ended=last_entry_time(folder),
        group=group,
        found=found,
        cells=cells,
        no_figures=no_figures,
        check=check,
        no_check=no_check,
        warnings=tuple(_warnings(folder, record, unverified, no_figures, check, no_check)),
        version=version("swathe"),
    )


def _evaluation(wishes: ReportWishes, record: SurveyRecord) -> EvaluationWishes:
    """Return what is asked of the evaluation; the alert level of the survey where no level is."""
    alert = None if record.plan is None else record.plan.alert_below
    if alert is None or wishes.evaluation.get("levels"):
        return wishes.evaluation
    return {**wishes.evaluation, "levels": (alert,)}


def _refuse_of_spots(asked: EvaluationWishes) -> None:
    """Raise an error where figures over an area are asked of spots.

    Raises:
        SwatheError: they are.
    """
    wanted = [
        name
        for name in (
            "levels",
            "separation",
            "zones",
            "square",
            "corners",
            "extremes",
            "not_scanned",
        )
        if asked.get(name)
    ]
    if wanted:
        message = (
            "this survey is one of spots, which have no area: its report lists each one, and has no "
            f"{', '.join(wanted).replace('_', ' ')}"
        )
        raise SwatheError(message)


def _station(folder: SurveyFolder) -> Station | None:
    try:
        return folder.last_scan() or folder.plan()
    except (SurveyError, JournalError, StationError):
        return None


def _begun(folder: SurveyFolder) -> datetime | None:
    try:
        return datetime.fromtimestamp(folder.first_start() / 1e9, UTC)
    except (SurveyError, JournalError):
        return None


def _entries(settings: ReportSettings, fill: Mapping[str, str]) -> ReportSettings:
    try:
        return ReportSettings.model_validate({**settings.model_dump(), **fill})
    except ValidationError as error:
        names = ", ".join(ReportSettings.model_fields)
        wrong = "; ".join(f"'{one['loc'][0]}': {one['msg']}" for one in error.errors())
        message = f"an entry of the cover is wrong: {wrong}. Entries are {names}"
        raise SwatheError(message) from error


def _checked(folder: SurveyFolder) -> tuple[SurveyCheck | None, str]:
    """Return what a check of all files found, or why none was made."""
    if folder.written_now:
        return None, "a process writes to the survey"
    try:
        return check_survey(folder), ""
    except (OSError, JournalError) as error:
        return None, str(error)


def _warnings(
    folder: SurveyFolder,
    record: SurveyRecord,
    unverified: str,
    no_figures: str,
    check: SurveyCheck | None,
    no_check: str,
) -> list[str]:
    """Return what keeps the figures from being taken as they are, the worst first."""
    lines: list[str] = []
    damaged = damage_since(folder, record)
    if record.journal_damage:
        damaged.append(
            f"JOURNAL DAMAGED in {count_text(len(record.journal_damage), 'place')}: what could be read is "
            "evaluated, nothing else is"
        )
    elif check is not None and check.damage and not damaged:
        damaged.append(f"JOURNAL DAMAGED: {check.damage[0]}")
    lines += damaged
    if unverified:
        lines.append(f"NOT VERIFIED: {unverified}")
    if check is not None and check.faults and not unverified:
        more = f", and {len(check.faults) - 1:,} more" if len(check.faults) > 1 else ""
        word = "DAMAGED" if any(one.kind.is_damage for one in check.faults) else "NOT VERIFIED"
        lines.append(f"FILES {word}: {check.faults[0]}{more}")
    if no_check:
        lines.append(f"NOT VERIFIED: its files were not compared with their digests: {no_check}")
    if no_figures:
        lines.append(f"NO FIGURES OVER CELLS: {no_figures}")
    if text := ending_text(folder, record):
        lines.append(text[0].upper() + text[1:])
    if not record.target_reached:
        lines.append(
            f"Coverage target not reached: {number_text(record.progress, 'percent')} % of "
            f"{record.target_coverage:g} %"
        )
    if record.progress.suspect:
        why = (
            "a failed calibration check or a slip" if record.slips else "a failed calibration check"
        )
        lines.append(f"{count_text(record.progress.suspect, 'cell')} SUSPECT by {why}")
    if record.progress.to_confirm:
        lines.append(f"{count_text(record.progress.to_confirm, 'place')} to confirm")
    return lines
