"""Surveys on disk to be exported: a map in mm with gaps, one in inches, and a line."""

from __future__ import annotations

from pathlib import Path

from daemon.handmade import INDEX_ENCODED, MS, START, UTC, Motion, ended, opened, station_text
from swathe.journal import Entry, JournalWriter
from swathe.store import SurveyFolder, replay, write_derived

__all__ = ["MAP", "MAP_TEXT", "write_map", "write_survey_of"]


def _place(ms: int) -> tuple[float, float]:
    """Return the place on lines of 20 mm, 1 mm apart, to and fro in a second each."""
    row, rest = divmod(ms, 1000)
    along = min(rest / 40, 20)
    return (along if row % 2 == 0 else 20 - along), min(row + max(0, rest - 850) / 150, 5)


def _wall(ms: int) -> float | str:
    return "N" if 350 <= ms < 550 else 10.0 + ms % 1000 / 1000


MAP = Motion(place=_place, wall=_wall, first=0, last=3000, sample_ms=5, reading_ms=4)
MAP_TEXT = station_text(
    scan_length=20,
    index=INDEX_ENCODED.format(length=5),
    survey='nominal_thickness = "12 mm"\npart = "Penstock 3, belt"\noperator = "A. Kern"',
)


def write_survey_of(
    path: Path, text: str, motion: Motion, *more: Entry, utc: int = UTC
) -> SurveyFolder:
    """Write a survey of one run that begins at `utc`, ns; return its folder."""
    survey = SurveyFolder(path)
    entries: list[Entry] = [*motion.entries(), *more]
    entries.sort(key=lambda entry: entry.time)
    with survey:
        with JournalWriter(survey.journal, wall_clock=lambda: utc) as journal:
            for entry in [opened(text, utc=utc), *entries, ended(START + (motion.last + 100) * MS)]:
                journal.write(entry)
        write_derived(survey, replay(survey))
    return survey


def write_map(path: Path, *, units: str = "mm") -> SurveyFolder:
    """Write the survey of a map of 6 lines of 21 cells, of which three were scanned."""
    text = MAP_TEXT if units == "mm" else f'units = "{units}"\n{MAP_TEXT}'
    return write_survey_of(path, text, MAP)
