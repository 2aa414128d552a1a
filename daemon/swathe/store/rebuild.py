"""Writing the derived files of a survey."""

from __future__ import annotations

from collections.abc import Callable

from swathe.errors import SurveyError
from swathe.journal import segment_digests, segment_paths
from swathe.object_storage import files_of
from swathe.pipeline import Grid, Pipeline
from swathe.store.aside import set_metadata_aside
from swathe.store.attributes import run_attributes
from swathe.store.digest_log import DigestLog
from swathe.store.folder import SurveyFolder
from swathe.store.record import SurveyRecord, record_bytes, record_of
from swathe.store.zarr_store import SurveyArrays

__all__ = ["write_all", "write_derived"]


def write_all(
    arrays: SurveyArrays, grid: Grid, *, stop: Callable[[], bool] = lambda: False
) -> None:
    """Write all that is touched, and what an earlier state left on the disk, a band at a time.

    Args:
        arrays: take it.
        grid: the cells.
        stop: asked after each band whether to end early.

    Raises:
        SurveyError: the disk is full or absent.
    """
    for spans in arrays.spans_of(grid):
        arrays.write(arrays.blocks(grid, spans))
        if stop():
            return


def write_derived(folder: SurveyFolder, pipeline: Pipeline, *, options: str = "") -> SurveyRecord:
    """Write the arrays and the record of a pipeline's present state; return the record.

    Metadata of the arrays that does not match its digest is kept aside and made again.

    Args:
        folder: the survey, locked.
        pipeline: a replay of its journal.
        options: of the rebuild, as on the command line; empty for the state of the live run.

    Raises:
        SurveyError: the disk is full or absent.
    """
    files = files_of(folder.path)
    log = DigestLog(files)
    try:
        unfinished = set_metadata_aside(folder, log.begin()).unfinished
        journal = [segment_digests(path)[1] for path in segment_paths(folder.journal)]
        names = [f"{folder.zarr.name}/", folder.record.name]
        with log.writing(names, journal=journal, options=options):
            arrays = SurveyArrays(folder.zarr, pipeline.station, on_written=log.note)
            arrays.renew(unfinished)
            arrays.open()
            write_all(arrays, pipeline.grid)
            record = record_of(pipeline)
            arrays.describe(run_attributes(record))
            log.replace(folder.record.name, record_bytes(record))
            present = set(files.names(folder.zarr.name))
            for name in log.state.files:
                if name.startswith(names[0]) and name not in present:
                    log.note(name, None)
    except OSError as error:
        raise SurveyError(folder.path, f"cannot be written: {error.strerror}") from error
    return record
