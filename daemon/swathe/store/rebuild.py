"""Running the pipeline over a journal, to resume a run or to write the derived files again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from swathe.journal import Mark, MarkKind, read_journal
from swathe.pipeline import Grid, Pipeline, PlacingObserver
from swathe.station import Station
from swathe.store.folder import SurveyFolder
from swathe.store.record import SurveyRecord, record_of, write_survey_record
from swathe.store.zarr_store import SurveyArrays

__all__ = ["replay", "write_all", "write_derived"]


def replay(
    folder: SurveyFolder,
    *,
    on_torn: Callable[[Path, str], None] | None = None,
    on_entries: Callable[[int], None] | None = None,
    amend: Callable[[Station], Station] | None = None,
    observer: PlacingObserver | None = None,
) -> Pipeline:
    """Return the pipeline after every entry of the survey's journal.

    Args:
        folder: the survey.
        on_torn: called with journal files that a crash cut off.
        on_entries: called at intervals with the number of entries fed.
        amend: changes the station file of each run before it is applied, such as another delay.
        observer: is shown readings and path.

    Raises:
        SurveyError: no such survey.
        JournalError: the journal cannot be read.
    """
    pipeline = Pipeline(folder.first_station(), amend=amend, observer=observer)
    opened = False
    for number, entry in enumerate(read_journal(folder.journal, on_torn=on_torn)):
        opened = opened or (isinstance(entry, Mark) and entry.kind is MarkKind.OPENED)
        if opened:
            pipeline.feed(entry)
        if on_entries is not None and number % 1000 == 0:
            on_entries(number)
    return pipeline


def write_all(arrays: SurveyArrays, grid: Grid) -> None:
    """Write the whole grid, a band at a time.

    Raises:
        SurveyError: the disk is full or absent.
    """
    for band in arrays.bands(range(grid.shape[0])):
        arrays.write(arrays.snapshot(grid, [band]))
        arrays.write(arrays.waveform_blocks(grid, range(band.start, band.stop)))


def write_derived(folder: SurveyFolder, pipeline: Pipeline) -> SurveyRecord:
    """Write the arrays and the record of a pipeline's present state; return the record.

    Raises:
        SurveyError: the disk is full or absent.
    """
    arrays = SurveyArrays(folder.zarr, pipeline.station)
    arrays.open()
    write_all(arrays, pipeline.grid)
    record = record_of(pipeline)
    write_survey_record(folder.record, record)
    return record
