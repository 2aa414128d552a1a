"""Several surveys: a row for each, with part, area, date, coverage, minimum and state."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field, TypeAdapter
from rich.table import Table

from swathe.display_units import DisplayUnits
from swathe.errors import SwatheError
from swathe.messages import ProgressMessage, moment
from swathe.pipeline.progress.fields import Snapshot, UtcTime, count_text, number_text
from swathe.pipeline.progress.snapshots import minimum_text
from swathe.store import LastRun, SurveyFolder, SurveyRecord, last_run, read_verified_record

__all__ = ["SurveyRow", "set_line", "survey_rows", "surveys_json", "surveys_table"]


RowState = Literal[
    "complete",
    "incomplete",
    "scanning",
    "resuming",
    "ended without a word",
    "not replayed",
    "not ended",
    "unknown",
]


class SurveyRow(Snapshot):
    """A survey in a list."""

    folder: str = Field(description="relative to the folder that is listed")
    station: str = ""
    part: str = ""
    area: str = Field("", description="of the station file; empty where that has no areas")
    operators: tuple[str, ...] = ()
    begun: UtcTime | None = Field(None, description="when its first run began")
    state: RowState = Field(
        "unknown",
        description="resuming: a run replays the earlier ones, whose figures these are; ended without "
        "a word: its last run was killed or lost its power; not replayed: its last run ended before its "
        "journal was evaluated; not ended: one of these, or it is scanned now",
    )
    target_reached: bool = False
    open_gaps: int = 0
    progress: ProgressMessage | None = Field(
        None, description="as the record has it; null where that cannot be read"
    )
    units: Literal["mm", "in"] = Field("mm", description="of lengths in its texts")
    unverified: str = Field(
        "",
        description="why the record is not verified by its digest; the target is not reached then",
    )
    problem: str = Field("", description="why it cannot be read")

    @property
    def display(self) -> DisplayUnits:
        """How lengths are written for a person."""
        return DisplayUnits(self.units)


def survey_rows(folders: Iterable[SurveyFolder], below: Path) -> list[SurveyRow]:
    """Return a row for each survey; one that cannot be read has the reason.

    Args:
        folders: the surveys.
        below: the folder to which their paths are relative, where they are below it.
    """
    return [_row(folder, below) for folder in folders]


def _row(folder: SurveyFolder, below: Path) -> SurveyRow:
    path = folder.path
    name = str(path.relative_to(below) if path.is_relative_to(below) else path)
    try:
        (record, unverified), begun = read_verified_record(folder), moment(folder.first_start())
    except SwatheError as error:
        return SurveyRow(folder=name, problem=str(error))
    return SurveyRow(
        folder=name,
        station=record.station,
        part=record.part,
        area=record.area,
        operators=record.operators,
        begun=begun,
        state=_state(folder, record),
        target_reached=record.target_reached and not unverified,
        unverified=unverified,
        open_gaps=len(record.open_gaps),
        progress=record.progress,
        units=record.display.length_name,
    )


def _state(folder: SurveyFolder, record: SurveyRecord) -> RowState:
    match last_run(folder, record):
        case LastRun.ENDED | LastRun.LIVE | LastRun.WRITTEN:
            return record.status
        case LastRun.RESUMING:
            return "resuming"
        case LastRun.DEAD:
            return "ended without a word"
        case LastRun.BEHIND:
            return "not replayed"
        case LastRun.UNKNOWN:
            return "not ended"


def surveys_table(rows: Sequence[SurveyRow]) -> Table:
    """Return surveys as a table; times are UTC."""
    table = Table(title=None, box=None, pad_edge=False, header_style="bold")
    for heading in ("survey", "part", "area", "begun"):
        table.add_column(heading, overflow="fold", no_wrap=heading == "begun")
    table.add_column("coverage", justify="right", no_wrap=True)
    for heading in ("minimum", "state"):
        table.add_column(heading, overflow="fold")
    for row in rows:
        progress = row.progress
        if progress is None or row.begun is None:
            table.add_row(row.folder, *[""] * 5, row.problem)
            continue
        state: list[str] = [row.state]
        state += [count_text(row.open_gaps, "open gap")] * bool(row.open_gaps)
        state += ["NOT VERIFIED"] * bool(row.unverified)
        state += [f"{progress.suspect:,} cells SUSPECT"] * bool(progress.suspect)
        table.add_row(
            row.folder,
            row.part or row.station,
            row.area,
            f"{row.begun:%Y-%m-%d %H:%M}",
            f"{number_text(progress, 'percent')} %",
            "no reading" if progress.minimum is None else minimum_text(progress, row.display),
            ", ".join(state),
        )
    return table


def set_line(rows: Sequence[SurveyRow]) -> str:
    """Return how many surveys reach their target, and the minimum of all, in one line."""
    reached = sum(row.target_reached for row in rows)
    parts = [f"{reached} of {count_text(len(rows), 'survey')} with the target coverage reached"]
    if unread := sum(row.progress is None for row in rows):
        parts.append(f"{unread} cannot be read")
    read = [(row, row.progress) for row in rows if row.progress is not None]
    thin = [(one.minimum, row, one) for row, one in read if one.minimum is not None]
    if thin:
        _, row, progress = min(thin, key=lambda each: each[0])
        parts.append(f"minimum of all {minimum_text(progress, row.display)}, in {row.folder}")
    return "; ".join(parts)


def surveys_json(rows: Sequence[SurveyRow]) -> str:
    """Return surveys as JSON."""
    return TypeAdapter(list[SurveyRow]).dump_json(list(rows), indent=1, by_alias=True).decode()
