"""Damage of a survey's journal in its record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from swathe.journal import segments_of
from swathe.pipeline.progress.fields import Snapshot, UtcTime
from swathe.store.advice import REBUILD, advice

if TYPE_CHECKING:
    from swathe.store.folder import SurveyFolder
    from swathe.store.record import SurveyRecord

__all__ = ["DamageRecord", "damage_since"]


class DamageRecord(Snapshot):
    """One damage of the journal."""

    segment: int = Field(description="number of the file")
    file: str
    kind: str = Field(
        description="missing, foreign, doubled, reordered, cut, changed, unreadable chunk, or unplaced"
    )
    text: str = Field(description="what it is and what it costs")
    begin: int = Field(description="first byte in the file")
    end: int = Field(description="byte behind the last one; both 0 where no bytes are meant")
    run: int = Field(description="number of the run, from 1; 0 where it is not known")
    since: UtcTime | None = Field(description="what is lost came after this; null: not known")
    until: UtcTime | None = Field(description="what is lost came before this; null: not known")
    chunks: int = Field(description="lost chunks; 0 where their number is not known")
    unplaced: int = Field(description="bytes that were not decoded, or belong to no cell")
    marks_lost: bool = Field(description="whether marks or port changes may be lost")


def damage_since(folder: SurveyFolder, record: SurveyRecord) -> list[str]:
    """Return files of the journal that are damaged as files, and are not in the record as such.

    Only what the files state of themselves is read. `swathe check` reads all of them.

    Raises:
        JournalError: a file cannot be read.
    """
    listed = {(one.segment, one.file, one.kind) for one in record.journal_damage}
    remedy = advice(folder, REBUILD)
    return [
        f"JOURNAL DAMAGED since the record was written: journal/{one.file} {one.text}; {remedy}"
        for one in segments_of(folder.journal).damage
        if (one.segment, one.file, str(one.kind)) not in listed
    ]
