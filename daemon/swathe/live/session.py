"""One run of a survey: journal first, then the pipeline, then the derived files."""

from __future__ import annotations

import asyncio
import platform
import time
import uuid
from collections.abc import Callable
from contextlib import ExitStack
from importlib.metadata import version
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from swathe.journal import Entry, JournalWriter, Mark, MarkKind, Tick
from swathe.pipeline import Pipeline, PlacingObserver
from swathe.station import Station
from swathe.store import (
    SurveyArrays,
    SurveyFolder,
    check_same_plan,
    record_of,
    replay,
    write_all,
    write_survey_record,
)

__all__ = ["Session", "versions"]


def versions() -> dict[str, str]:
    """Return the versions in force, for the journal."""
    packages = ("swathe", "numpy", "zarr", "mcap", "pyserial")
    return {"python": platform.python_version(), **{name: version(name) for name in packages}}


class Session:
    """Holds a survey for writing; a context manager.

    On entering, the journal of earlier runs is fed to the same pipeline, and the survey is
    resumed.

    Args:
        folder: the survey.
        station: the station file, and
        text: its text, which goes into the journal.
        clock: host's monotonic clock, ns.
        wall_clock: ns since 1970.
        on_torn: called with journal files that a crash cut off.
        observer: is shown readings and path.
        purpose: ``scan``, or ``check`` for a run that only checks the calibration.
    """

    def __init__(
        self,
        folder: SurveyFolder,
        station: Station,
        text: str,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
        wall_clock: Callable[[], int] = time.time_ns,
        on_torn: Callable[[Path, str], None] | None = None,
        observer: PlacingObserver | None = None,
        purpose: Literal["scan", "check"] = "scan",
    ) -> None:
        self.folder = folder
        self._station = station
        self._text = text
        self._clock = clock
        self._wall_clock = wall_clock
        self._on_torn = on_torn
        self._stack = ExitStack()
        self._journal = JournalWriter(folder.journal, wall_clock=wall_clock)
        self._arrays = SurveyArrays(folder.zarr, station)
        self._sync: asyncio.Future[None] | None = None
        self._written = self._unsynced = False
        self._observer = observer
        self._purpose = purpose
        self.pipeline = Pipeline(station, observer=observer)

    def __enter__(self) -> Self:
        """Open the survey for writing.

        Raises:
            SurveyError: another process writes to it, or it was started with another plan.
            JournalError: its journal cannot be read or written.
        """
        with ExitStack() as stack:
            stack.enter_context(self.folder)
            survey = uuid.uuid4().hex[:12]
            resumed = self.folder.begun
            if resumed:
                check_same_plan(self.folder, self._station)
                self.pipeline = replay(self.folder, on_torn=self._on_torn, observer=self._observer)
                survey = self.pipeline.survey or survey
            self._arrays.open()
            stack.enter_context(self._journal)
            detail: dict[str, Any] = {
                "survey": survey,
                "station": self._text,
                "versions": versions(),
                "utc_ns": self._wall_clock(),
                "purpose": self._purpose,
            }
            if self._station.record is not None:
                detail["calibration"] = self._station.record.model_dump(mode="json")
            if self._station.descriptions:
                detail["descriptions"] = self._station.descriptions
            self.enter(Mark(self._clock(), MarkKind.OPENED, detail))
            self._journal.flush()
            self._journal.sync()
            # After a crash the files on disk are first brought up to the state of the journal.
            if resumed:
                write_all(self._arrays, self.pipeline.grid)
            write_survey_record(self.folder.record, record_of(self.pipeline, with_lines=False))
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.__exit__(kind, error, trace)

    def enter(self, entry: Entry) -> None:
        """Journal an entry and feed it to the pipeline.

        Raises:
            JournalError: the journal cannot be written; the entry was not fed.
        """
        self._journal.write(entry)
        self._written = True
        self.pipeline.feed(entry)

    def mark(self, kind: MarkKind, **detail: Any) -> None:  # noqa: ANN401  JSON values
        """Journal a mark."""
        self.enter(Mark(self._clock(), kind, detail))

    def tick(self) -> None:
        """Journal a tick."""
        self.enter(Tick(self._clock()))

    def flush(self, *, sync: bool = True) -> None:
        """Flush the journal to the operating system.

        Args:
            sync: whether what was flushed since the last sync is synced to the disk as well, in the
                background; not while the last sync is under way.

        Raises:
            JournalError: the disk is full or absent.
        """
        if self._written:
            self._journal.flush()
            self._written, self._unsynced = False, True
        if self._sync is not None and self._sync.done():
            self._sync.result()
            self._sync = None
        if not sync or not self._unsynced or self._sync is not None:
            return
        self._unsynced = False
        self._sync = asyncio.ensure_future(asyncio.to_thread(self._journal.sync))

    async def checkpoint(self, *, whole: bool = False) -> None:
        """Update arrays and record, writing in the background.

        Args:
            whole: whether the record summarizes every line, as at the end of a run.

        Raises:
            SurveyError: the disk is full or absent.
        """
        # Copied here: the scan continues while the copy is written.
        blocks = self._arrays.blocks(self.pipeline.grid, self.pipeline.take_changed_spans())
        record = record_of(self.pipeline, with_lines=whole)

        def save() -> None:
            self._arrays.write(blocks)
            write_survey_record(self.folder.record, record)

        await asyncio.to_thread(save)

    async def end(self, status: Literal["complete", "incomplete"], reason: str) -> None:
        """End the run: mark, journal, arrays and record.

        Raises:
            JournalError: the disk is full or absent.
            SurveyError: likewise.
        """
        self.mark(MarkKind.ENDED, status=status, reason=reason)
        if self._sync is not None:
            await self._sync
        self._journal.flush()
        await self.checkpoint(whole=True)
