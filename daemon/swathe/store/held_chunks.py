"""Which chunks of an array there are: of a large plan only those that were visited.

What is in no chunk has the array's fill value, and takes no time to read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from swathe.object_storage import files_of
from swathe.store.digests import read_digests
from swathe.store.folder import SurveyFolder

if TYPE_CHECKING:
    import zarr

__all__ = ["held_chunks"]


def held_chunks(folder: SurveyFolder, array: zarr.Array[Any]) -> list[tuple[slice, slice]]:
    """Return rows and columns of the chunks of a layer, in their order.

    One that was written and is missing is among them, so that reading it reports that.

    Args:
        folder: of the survey.
        array: the layer, as `open_arrays` has it.
    """
    files = files_of(folder.path)
    start = f"{folder.zarr.name}/{array.basename}/c/"
    names = {*files.names(start.rstrip("/")), *read_digests(files).files}
    (rows, columns), (tall, wide) = array.shape[:2], array.chunks[:2]
    found = set()
    for name in names:
        if name.startswith(start):
            row, column = name.removeprefix(start).split("/")[:2]
            if row.isdecimal() and column.isdecimal():  # no temporary file of a writer
                found.add((int(row), int(column)))
    return [
        (
            slice(row * tall, min((row + 1) * tall, rows)),
            slice(column * wide, min((column + 1) * wide, columns)),
        )
        for row, column in sorted(found)
        if row * tall < rows and column * wide < columns
    ]
