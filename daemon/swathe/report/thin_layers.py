"""Thickness and state of a survey, thinned for a picture, read a part at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from swathe.report.thinning import thin_minimum, thin_worst
from swathe.store import SurveyFolder
from swathe.store.held_chunks import held_chunks

if TYPE_CHECKING:
    import zarr

__all__ = ["thin_layers"]

# Cells that are read together.
_AT_ONCE = 4_000_000


def thin_layers(
    folder: SurveyFolder, group: zarr.Group, step: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Return thickness, mm, and state of blocks of `step` cells; of a large plan only its chunks are read.

    Args:
        folder: of the survey.
        group: its arrays.
        step: rows and columns of a block; the last ones may have fewer.

    Raises:
        SurveyError: what is read is not what was written.
    """
    (rows, columns), (tall, wide) = group["state"].shape, step  # type: ignore[union-attr]
    shape = -(-rows // tall), -(-columns // wide)
    thickness, state = np.full(shape, np.nan, np.float32), np.zeros(shape, np.uint8)
    # Blocks of a band of whole blocks; by band, from which to which of them something was written.
    high = max(1, _AT_ONCE // (columns * tall))
    bands: dict[int, tuple[int, int]] = {}
    for name in ("thickness", "state"):
        for chunk_rows, chunk_columns in held_chunks(folder, group[name]):  # type: ignore[arg-type]
            first, last = chunk_columns.start // wide, (chunk_columns.stop - 1) // wide
            row, end = chunk_rows.start // tall // high, (chunk_rows.stop - 1) // tall // high
            for band in range(row, end + 1):
                before = bands.get(band, (first, last))
                bands[band] = min(first, before[0]), max(last, before[1])
    for band, (first, last) in sorted(bands.items()):
        for low in range(first, last + 1, max(1, _AT_ONCE // (high * tall * wide))):
            stop = min(low + max(1, _AT_ONCE // (high * tall * wide)), last + 1)
            here = slice(band * high, (band + 1) * high), slice(low, stop)
            part = (
                slice(here[0].start * tall, min(here[0].stop * tall, rows)),
                slice(low * wide, min(stop * wide, columns)),
            )
            thickness[here] = thin_minimum(np.asarray(group["thickness"][part]), step)  # type: ignore[index]
            state[here] = thin_worst(np.asarray(group["state"][part]), step)  # type: ignore[index]
    return thickness, state
