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
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from swathe.errors import SurveyError
from swathe.journal import Mark, opening_marks, segment_paths, segments_of
from swathe.object_storage import ObjectPath, files_of
from swathe.station import (
    ExclusionSettings,
    Station,
    StationChange,
    changes_between,
    extends,
    in_plan_of,
    station_in_journal,
)

__all__ = ["SurveyFolder", "changes_since", "check_same_survey", "zones_since"]


_LOCK = ".lock"
# Whether a survey is written to is found out by taking its lock for a moment.
_LOCK_SECONDS = 0.2
_LOCK_STEP_SECONDS = 0.02
# Of this process: by device and inode.
_held: set[tuple[int, int]] = set()


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
    def stored_away(self) -> bool:
        """Whether it is on object storage: it is read there, and whether a run writes is not known."""
        return isinstance(self.path, ObjectPath)

    @property
    def begun(self) -> bool:
        """Whether an earlier run has written here; a run that was killed as it began has not."""
        if not segment_paths(self.journal):
            return False
        derived = self.record.exists() or self.zarr.exists()
        return derived or any(one.chunks for one in segments_of(self.journal).segments)

    def require(self) -> None:
        """Check that this is a survey.

        Raises:
            SurveyError: it is none; check the path. Or its journal is reached through a link.
        """
        self._refuse_link()
        if not self.begun:
            message = "is not a survey: it has no journal"
            if not self.path.is_dir():
                message = "there is no such survey" + " folder" * (not self.stored_away)
            raise SurveyError(self.path, message)

    def _refuse_link(self) -> None:
        """Refuse a journal that is elsewhere: the folder may be a stranger's."""
        if self.journal.is_symlink():
            message = "is a link, which is not followed: put the folder itself in its place"
            raise SurveyError(self.journal, message)

    def openings(self) -> Iterator[Mark]:
        """Yield the opening mark of each run, from the journal, oldest first."""
        yield from opening_marks(self.journal)

    def first_opening(self) -> Mark:
        """Return the mark that opens the first run.

        Raises:
            SurveyError: no journal of the survey holds one.
        """
        self.require()
        for mark in self.openings():
            return mark
        raise SurveyError(
            self.path,
            "its journal was cut off before it held a station file, or is damaged: nothing of it can "
            "be read; a run with --new keeps the folder under another name",
        )

    def first_station(self) -> Station:
        """Return the station file of the first run, from the journal.

        Raises:
            SurveyError: no journal of the survey holds one.
        """
        return station_in_journal(self.first_opening().detail, self.journal)

    def plan(self, until: int | None = None) -> Station:
        """Return the station file of the first run, with the grid that later runs extended.

        Args:
            until: ns UTC; runs that were opened later are left out.

        Raises:
            SurveyError: no journal of the survey holds one.
        """
        plan = None
        for opening in self.openings():
            if until is not None and int(opening.detail["utc_ns"]) > until:
                break
            station = station_in_journal(opening.detail, self.journal)
            if plan is None:
                plan = station
            elif extends(plan, station):
                plan = _extended(plan, station)
        return self.first_station() if plan is None else plan

    def last_scan(self) -> Station | None:
        """Return the station file of the newest run that scanned; None before any."""
        last = None
        for opening in self.openings():
            if opening.detail.get("purpose", "scan") == "scan":
                last = opening
        return None if last is None else station_in_journal(last.detail, self.journal)

    def first_start(self) -> int:
        """Return when the first run began, ns UTC.

        Raises:
            SurveyError: no journal of the survey holds a run.
        """
        return int(self.first_opening().detail["utc_ns"])

    def set_aside(self) -> Path | None:
        """Rename the survey so that a new one can begin; return the new path.

        It is locked meanwhile: a run that writes to it keeps its folder.

        Raises:
            SurveyError: another process writes to it, or it cannot be renamed; it is as it was.
        """
        if not self.path.exists():
            return None
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        aside = self.path.with_name(f"{self.path.name}-until-{stamp}")
        number = 1
        while aside.exists():
            number += 1
            aside = self.path.with_name(f"{self.path.name}-until-{stamp}-{number}")
        with self:
            try:
                self.path.rename(aside)
            except OSError as error:
                message = f"cannot be renamed to {aside.name}: {error.strerror}"
                raise SurveyError(self.path, message) from error
        return aside

    @property
    def written_now(self) -> bool | None:
        """Whether a process holds the survey's lock; None where that cannot be found out."""
        if os.name != "posix" or self.stored_away:
            return None
        import fcntl

        try:
            with files_of(self.path).open(_LOCK) as lock:
                try:
                    # Shared, and for a moment only: a run that begins meanwhile tries again.
                    fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
                except BlockingIOError:
                    return True
                return False
        except FileNotFoundError:
            return False
        except OSError:
            return None

    @property
    def written_here(self) -> bool:
        """Whether it is this process that holds the survey's lock."""
        try:
            found = (self.path / _LOCK).stat(follow_symlinks=False)
        except OSError:
            return False
        return (found.st_dev, found.st_ino) in _held

    def __enter__(self) -> Self:
        """Lock the survey for writing.

        Raises:
            SurveyError: another process writes to it; stop that one first. Or its journal is
                reached through a link.
        """
        self._refuse_link()
        end = time.monotonic() + _LOCK_SECONDS
        while True:
            try:
                self.path.mkdir(parents=True, exist_ok=True)
                lock = files_of(self.path).append(_LOCK)
            except OSError as error:
                raise SurveyError(self.path, f"cannot be written: {error.strerror}") from error
            if _try_lock(lock):
                if _is_at(lock, self.path / _LOCK):
                    self._lock = lock
                    _held.add(_file_of(lock))
                    return self
                # The folder was renamed between the two steps: this is the lock of an older survey.
            elif time.monotonic() > end:
                lock.close()
                message = "another swathe process writes to this survey: stop it first"
                raise SurveyError(self.path, message)
            lock.close()
            time.sleep(_LOCK_STEP_SECONDS)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._lock is not None:
            _held.discard(_file_of(self._lock))
            self._lock.close()
            self._lock = None


def _file_of(stream: BinaryIO) -> tuple[int, int]:
    found = os.fstat(stream.fileno())
    return found.st_dev, found.st_ino


def _is_at(stream: BinaryIO, path: Path) -> bool:
    """Return whether a path still names the file that is open."""
    try:
        return os.path.samestat(os.fstat(stream.fileno()), path.stat())
    except FileNotFoundError:
        return False


def _try_lock(stream: BinaryIO) -> bool:
    """Lock a file for the life of this process; the system releases it even after a kill."""
    if os.name == "posix":
        import fcntl

        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
    return True


def check_same_survey(folder: SurveyFolder, station: Station, *, because: str = "") -> Station:
    """Check that a station file continues a survey; return the survey's plan, extended by it.

    Args:
        folder: the survey.
        station: of the run that is to begin.
        because: why decisive keys were changed since the last run; refused without a reason.

    Raises:
        SurveyError: part, grid, cell rule, zones or spots differ in a way that no plan extends, or
            decisive keys were changed without a reason.
    """
    plan = folder.plan()
    last = folder.last_scan()
    if problem := _other_part(plan, station) or _other_plan(plan, last or plan, station):
        raise SurveyError(folder.path, problem)
    changes = [] if last is None else changes_between(last, station)
    decisive = [change for change in changes if change.decisive]
    if decisive and not because.strip():
        listed = "".join(f"\n  - {change}" for change in decisive)
        message = (
            "was scanned with other settings, which decide where readings belong and what they "
            f"mean:{listed}\nrestore them, use --new, or state why they changed with "
            "--changed 'REASON', which the survey keeps"
        )
        raise SurveyError(folder.path, message)
    return _extended(plan, station)


def changes_since(folder: SurveyFolder, station: Station) -> list[StationChange]:
    """Return what a station file changes since the survey's last run that scanned."""
    last = folder.last_scan()
    return [] if last is None else changes_between(last, station)


def zones_since(folder: SurveyFolder, station: Station) -> list[ExclusionSettings]:
    """Return the excluded zones that a station file adds since the last run that scanned."""
    last = folder.last_scan()
    return [] if last is None else [one for one in station.exclude if one not in last.exclude]


def _extended(plan: Station, station: Station) -> Station:
    """Return the plan with the grid of a station that extends it."""
    return in_plan_of(station, plan).model_copy(update={"exclude": plan.exclude})


def _other_part(plan: Station, station: Station) -> str:
    before, now = plan.survey.part, station.survey.part
    if before == now:
        return ""
    return (
        f"is of the part {before!r}, the station file names {now!r}: another part is another "
        "survey, with a folder of its own (survey.folder, or --new)"
    )


def _other_plan(plan: Station, last: Station, station: Station) -> str:
    parts = {
        "mode of the index axis": (
            plan.index and plan.index.mode,
            station.index and station.index.mode,
        ),
        "cell rule": (plan.survey.cell_rule, station.survey.cell_rule),
        "spots": ([spot.name for spot in plan.spot_list], [s.name for s in station.spot_list]),
    }
    changed = [name for name, (before, now) in parts.items() if before != now]
    if not extends(plan, station):
        axes = {
            "scan axis": (plan.scan_axis, station.scan_axis),
            "index axis": (plan.index_axis, station.index_axis),
        }
        changed = [name for name, (old, new) in axes.items() if old != new] + changed
    if any(zone not in station.exclude for zone in last.exclude):
        changed.append("excluded zones")
    if not changed:
        return ""
    return (
        f"was started with another plan ({', '.join(changed)}): restore it, or use --new; a grid may "
        "grow at its far ends, and zones may be added"
    )
