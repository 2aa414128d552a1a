"""The files that are derived from a survey's journal, kept up to date while it is scanned."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from swathe.pipeline import Pipeline
from swathe.station import Station
from swathe.store import (
    SurveyArrays,
    SurveyFolder,
    record_of,
    run_attributes,
    write_all,
    write_survey_record,
)

__all__ = ["DerivedFiles"]


class DerivedFiles:
    """Arrays and record of one survey.

    Args:
        folder: the survey, locked.
        station: fixes shape, chunks and attributes of the arrays.

    Attributes:
        lock: held by whoever writes, so that no older state replaces a newer one.
    """

    def __init__(self, folder: SurveyFolder, station: Station) -> None:
        self._folder = folder
        self._arrays = SurveyArrays(folder.zarr, station)
        self.lock = asyncio.Lock()

    def write_whole(
        self, pipeline: Pipeline, *, grid: bool, stop: Callable[[], bool] = lambda: False
    ) -> None:
        """Write a state to which nothing is fed meanwhile; may run in another thread.

        Args:
            pipeline: the state.
            grid: whether any cell may differ from what is on disk.
            stop: asked at intervals whether to end early.

        Raises:
            SurveyError: the disk is full or absent.
        """
        self._arrays.open()
        if grid:
            pipeline.take_changed_spans()  # all of them are written now
            write_all(self._arrays, pipeline.grid, stop=stop)
        record = record_of(pipeline, with_lines=False)
        self._arrays.describe(run_attributes(record))
        write_survey_record(self._folder.record, record)

    def take(self, pipeline: Pipeline, *, whole: bool) -> Callable[[], None]:
        """Copy what changed; return what writes it, which may run in another thread.

        Args:
            pipeline: the state; it is fed again while the copy is written.
            whole: whether the record summarizes every line, as at the end of a run.
        """
        blocks = self._arrays.blocks(pipeline.grid, pipeline.take_changed_spans())
        record = record_of(pipeline, with_lines=whole)

        def write() -> None:
            self._arrays.write(blocks)
            if whole:
                self._arrays.describe(run_attributes(record))
            write_survey_record(self._folder.record, record)

        return write
