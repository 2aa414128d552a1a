"""The survey folder: its parts, its lock, and how a new survey replaces an older one.

::

    penstock-3/
        journal/0001.mcap ...   what everything else is derived from
        survey.zarr/            derived: the grid, for any reader of zarr or xarray
        survey.json             derived: status, coverage, gaps, tallies
        thickness.png           derived: the picture
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from swathe.errors import SurveyError
from swathe.journal import Mark, MarkKind, read_segment, segment_paths
from swathe.station import Station, station_in_journal

__all__ = ["SurveyFolder", "check_same_plan"]


class SurveyFolder:
    """Paths of a survey.

    Args:
        path: the folder; need not exist yet.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.journal = path / "journal"
        self.zarr = path / "survey.zarr"
        self.record = path / "survey.json"
        self.picture = path / "thickness.png"
        self._lock: BinaryIO | None = None

    @property
    def begun(self) -> bool:
        """Whether an earlier run has written here."""
        return bool(segment_paths(self.journal))

    def require(self) -> None:
        """Check that this is a survey.

        Raises:
            SurveyError: it is none; check the path.
        """
        if not self.begun:
            message = "is not a survey: it has no journal"
            if not self.path.is_dir():
                message = "there is no such survey folder"
            raise SurveyError(self.path, message)

    def openings(self) -> Iterator[Mark]:
        """Yield the opening mark of each run, from the journal, oldest first."""
        for path in segment_paths(self.journal):
            for entry in read_segment(path):
                if isinstance(entry, Mark) and entry.kind is MarkKind.OPENED:
                    yield entry
                break

    def first_opening(self) -> Mark:
        """Return the mark that opens the first run.

        Raises:
            SurveyError: no journal of the survey holds one.
        """
        self.require()
        for mark in self.openings():
            return mark
        raise SurveyError(self.path, "its journal was cut off before it held a station file")

    def first_station(self) -> Station:
        """Return the station file of the first run, from the journal.

        Raises:
            SurveyError: no journal of the survey holds one.
        """
        return station_in_journal(self.first_opening().detail, self.journal)

    def first_start(self) -> int:
        """Return when the first run began, ns UTC.

        Raises:
            SurveyError: no journal of the survey holds a run.
        """
        return int(self.first_opening().detail["utc_ns"])

    def set_aside(self) -> Path | None:
        """Rename the survey so that a new one can begin; return the new path."""
        if not self.path.exists():
            return None
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        aside = self.path.with_name(f"{self.path.name}-until-{stamp}")
        number = 1
        while aside.exists():
            number += 1
            aside = self.path.with_name(f"{self.path.name}-until-{stamp}-{number}")
        self.path.rename(aside)
        return aside

    def __enter__(self) -> Self:
        """Lock the survey for writing.

        Raises:
            SurveyError: another process writes to it; stop that one first.
        """
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            lock = (self.path / ".lock").open("ab")
        except OSError as error:
            raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error
        if not _try_lock(lock):
            lock.close()
            message = "another swathe process writes to this survey: stop it first"
            raise SurveyError(self.path, message)
        self._lock = lock
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None


def _try_lock(stream: BinaryIO) -> bool:
    """Lock a file for the life of this process; the system releases it even after a kill."""
    if os.name == "posix":
        import fcntl

        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
    return True


def check_same_plan(folder: SurveyFolder, station: Station) -> Station:
    """Check that a survey is resumed with the plan of its first run; return that run's station.

    Raises:
        SurveyError: the grid, the cell rule or the excluded zones differ; restore the first plan or
            begin a new survey with ``--new``.
    """
    first = folder.first_station()
    parts = {
        "scan axis": (first.scan_axis, station.scan_axis),
        "index axis": (first.index_axis, station.index_axis),
        "mode of the index axis": (
            first.index and first.index.mode,
            station.index and station.index.mode,
        ),
        "cell rule": (first.survey.cell_rule, station.survey.cell_rule),
        "excluded zones": (first.exclude, station.exclude),
        "spots": ([spot.name for spot in first.spot_list], [s.name for s in station.spot_list]),
    }
    changed = [name for name, (before, now) in parts.items() if before != now]
    if changed:
        names = ", ".join(changed)
        message = f"was started with another plan ({names}): restore it, or use --new"
        raise SurveyError(folder.path, message)
    return first
