"""Writing the derived files of a survey."""

from __future__ import annotations

from collections.abc import Callable

from swathe.pipeline import Grid, Pipeline
from swathe.store.attributes import run_attributes
from swathe.store.folder import SurveyFolder
from swathe.store.record import SurveyRecord, record_of, write_survey_record
from swathe.store.zarr_store import SurveyArrays

__all__ = ["write_all", "write_derived"]


def write_all(
    arrays: SurveyArrays, grid: Grid, *, stop: Callable[[], bool] = lambda: False
) -> None:
    """Write the whole grid, a band at a time.

    Args:
        arrays: take it.
        grid: the cells.
        stop: asked after each band whether to end early.

    Raises:
        SurveyError: the disk is full or absent.
    """
    rows, columns = grid.shape
    for first in range(0, rows, arrays.band_height):
        band = range(first, min(first + arrays.band_height, rows))
        arrays.write(arrays.blocks(grid, dict.fromkeys(band, (0, columns - 1))))
        if stop():
            return


def write_derived(folder: SurveyFolder, pipeline: Pipeline) -> SurveyRecord:
    """Write the arrays and the record of a pipeline's present state; return the record.

    Raises:
        SurveyError: the disk is full or absent.
    """
    arrays = SurveyArrays(folder.zarr, pipeline.station)
    arrays.open()
    write_all(arrays, pipeline.grid)
    record = record_of(pipeline)
    arrays.describe(run_attributes(record))
    write_survey_record(folder.record, record)
    return record
