"""Checking a survey: journal against itself and its digests, derived files against theirs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from swathe.errors import JournalError
from swathe.journal import JournalCursor, Lost, segment_paths
from swathe.object_storage import files_of
from swathe.store.digests import Digests, FileFault, journal_faults, read_digests
from swathe.store.folder import SurveyFolder
from swathe.store.verified import derived_faults

__all__ = ["SurveyCheck", "check_survey"]


@dataclass(frozen=True)
class SurveyCheck:
    """What a check of a survey found.

    Attributes:
        digests: of the survey.
        journal_files: number of files of the journal.
        damage: what is damaged in the journal.
        faults: derived files that are not verified.
    """

    digests: Digests
    journal_files: int
    damage: tuple[str, ...]
    faults: tuple[FileFault, ...]

    @property
    def good(self) -> bool:
        """Whether nothing was found."""
        return not self.damage and not self.faults


def check_survey(folder: SurveyFolder) -> SurveyCheck:
    """Return what is damaged, missing or not verified in a survey that nobody writes to.

    Raises:
        OSError: a file cannot be read.
        JournalError: the journal cannot be read.
    """
    digests = read_digests(files_of(folder.path))
    return SurveyCheck(
        digests,
        len(segment_paths(folder.journal)),
        tuple(_journal_damage(folder, digests)),
        tuple(derived_faults(folder, digests)),
    )


def _journal_damage(folder: SurveyFolder, digests: Digests) -> Iterator[str]:
    files = files_of(folder.path)
    for number, text in journal_faults(files, digests).items():
        yield f"journal/{number:04d}.mcap {text}"
    found: list[str] = []
    try:
        for entries in JournalCursor(folder.journal).blocks():
            damage = [entry.damage for entry in entries if isinstance(entry, Lost)]
            found += [f"journal/{one.file} {one.text}" for one in damage]
    except JournalError as error:
        found.append(str(error))
    yield from found
