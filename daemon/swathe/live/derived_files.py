"""The files that are derived from a survey's journal, kept up to date while it is scanned."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Sequence

from swathe.errors import JournalError, SurveyError
from swathe.journal import JournalWriter, SegmentDigest
from swathe.pipeline import Pipeline
from swathe.safe_files import SafeFolder
from swathe.station import Station
from swathe.store import (
    DigestLog,
    RecordText,
    SurveyArrays,
    SurveyFolder,
    SurveyRecord,
    record_bytes,
    record_of,
    run_attributes,
    set_metadata_aside,
    write_all,
)

__all__ = ["DerivedFiles"]

_log = logging.getLogger(__name__)

_RECORD_BYTES_A_SECOND = 1 << 20


class DerivedFiles:
    """Arrays and record of one survey, with their digests.

    Args:
        folder: the survey, locked.
        station: fixes shape, chunks and attributes of the arrays.
        journal: of the run, open while files are written.

    Attributes:
        earlier: digests of the journal files of earlier runs.
        trouble: why the last copy could not be written; empty if it was.
        lock: held by whoever writes, so that no older state replaces a newer one.
    """

    def __init__(self, folder: SurveyFolder, station: Station, journal: JournalWriter) -> None:
        self._folder = folder
        self._journal = journal
        self.earlier: Sequence[SegmentDigest] = ()
        self._digests = DigestLog(SafeFolder(folder.path))
        self._arrays = SurveyArrays(folder.zarr, station, on_written=self._digests.note)
        self._text = RecordText()
        self._record_due = 0.0
        self._begun = False
        self.lock = asyncio.Lock()
        self.trouble = ""

    def write_whole_later(self, pipeline: Pipeline) -> None:
        """Write a whole state as `write_whole`; where the disk refuses it, the next copy has it."""
        try:
            self.write_whole(pipeline, grid=True)
        except SurveyError as error:
            self.trouble = str(error)

    def write_whole(
        self,
        pipeline: Pipeline,
        *,
        grid: bool,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        """Write a state to which nothing is fed meanwhile; may run in another thread.

        Args:
            pipeline: the state.
            grid: whether any cell may differ from what is on disk.
            stop: asked at intervals whether to end early.

        Raises:
            SurveyError: the disk is full or absent.
        """
        try:
            if not self._begun:
                self._begin()
            names = [f"{self._folder.zarr.name}/", self._folder.record.name]
            with self._digests.writing(names, journal=self.earlier, options=""):
                self._arrays.open()
                if grid:
                    pipeline.take_changed_spans()  # all of them are written now
                    write_all(self._arrays, pipeline.grid, stop=stop)
                    if stop():
                        self._digests.leave_unfinished()
                record = record_of(pipeline, with_lines=False)
                self._arrays.describe(run_attributes(record))
                self._digests.replace(self._folder.record.name, record_bytes(record))
        except OSError as error:
            raise SurveyError(self._folder.path, f"cannot be written: {error.strerror}") from error

    def _begin(self) -> None:
        """Take over the digests; metadata that does not match them is made again."""
        found = self._digests.begin()
        aside, unfinished = set_metadata_aside(self._folder, found)
        if aside:
            _log.warning(
                "metadata of the arrays was damaged and is written again; the old files are in %s",
                aside,
            )
        self._arrays.renew(unfinished)
        self._begun = True

    def _write_record(
        self, record: SurveyRecord, text: Callable[[], bytes], *, whole: bool
    ) -> None:
        if whole:
            self._arrays.describe(run_attributes(record))
        data = text()
        self._digests.replace(self._folder.record.name, data)
        # That of thousands of gaps has some MB: it is not written with every copy.
        self._record_due = time.monotonic() + len(data) / _RECORD_BYTES_A_SECOND

    def take(self, pipeline: Pipeline, *, whole: bool, patient: bool = False) -> Callable[[], None]:
        """Copy what changed; return what writes it, which may run in another thread.

        Args:
            pipeline: the state; it is fed again while the copy is written.
            whole: whether the record summarizes every line, as at the end of a run.
            patient: whether a disk that refuses it is a `trouble` until the next time, no error.
        """
        spans = pipeline.take_changed_spans()
        grid, arrays = pipeline.grid, self._arrays
        # In trouble, what an earlier copy held is not on the disk.
        parts = arrays.spans_of(grid) if self.trouble else (spans,)
        blocks = [block for part in parts for block in arrays.blocks(grid, part)]
        due = whole or bool(self.trouble) or time.monotonic() >= self._record_due
        taken = self._text.take(pipeline, with_lines=whole) if due else None
        # The journal is flushed: these bytes are in its files once the sync below has succeeded.
        journal = [*self.earlier, *self._journal.digests()]

        def write() -> None:
            try:
                with_digests()
            except OSError as error:
                self.trouble = f"{self._folder.path}: cannot be written: {error.strerror}"
                if not patient:
                    message = f"cannot be written: {error.strerror}"
                    raise SurveyError(self._folder.path, message) from error
            except (SurveyError, JournalError) as error:
                self.trouble = str(error)
                if not patient:
                    raise
            else:
                self.trouble = ""

        def with_digests() -> None:
            metadata = f"{self._folder.zarr.name}/zarr.json"
            record = [] if taken is None else [self._folder.record.name]
            names = [*self._arrays.names(blocks), *record, metadata]
            with self._digests.writing(names, journal=journal):
                self._arrays.write(blocks)
                if taken is not None:
                    self._write_record(*taken, whole=whole)
                # A digest is never on the disk before the bytes that it is of.
                self._journal.sync()

        return write
