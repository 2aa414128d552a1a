"""What a discard or a move would be about, before it is confirmed; lengths in mm.

The cells keep counts, and the time of their newest reading only. Without a time the figures are
those of all readings that count now; with one they are of the cells whose newest reading is of that
time, and a cell that was read again since is not among them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from swathe.page.source import Source

__all__ = ["AskedStretch", "affected_cells"]


class AskedStretch(BaseModel):
    """The readings that are meant; all conditions that are given hold together.

    Attributes:
        line: row of the grid.
        low: lower border along the scan axis, mm.
        high: upper border, mm.
        begin: taken at or after this.
        end: taken before this.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    line: int | None = Field(None, ge=0)
    low: float | None = Field(None, allow_inf_nan=False)
    high: float | None = Field(None, allow_inf_nan=False)
    begin: AwareDatetime | None = None
    end: AwareDatetime | None = None


def affected_cells(source: Source, stretch: AskedStretch) -> dict[str, Any]:
    """Return number of cells and readings, the lines and the extent along the scan axis.

    ``timed`` is whether only cells count whose newest reading is of the time; ``readings`` is then
    null.
    """
    grid = source.grid
    rows, columns = grid.shape
    shown = grid.hits.reshape(rows, columns) > 0
    if stretch.line is not None:
        shown[: stretch.line] = False
        shown[stretch.line + 1 :] = False
    edges = grid.scan.start + (np.arange(columns + 1) - 0.5) * grid.scan.resolution
    if stretch.low is not None:
        shown[:, edges[1:] <= stretch.low] = False
    if stretch.high is not None:
        shown[:, edges[:-1] > stretch.high] = False
    times = grid.last_time.reshape(rows, columns)
    for time, is_out in ((stretch.begin, np.less), (stretch.end, np.greater_equal)):
        if time is not None:
            shown &= ~is_out(times, round(time.timestamp() * 1e6) * 1000)
    timed = stretch.begin is not None or stretch.end is not None
    found_rows, found_columns = np.nonzero(shown)
    if not found_rows.size:
        return {"cells": 0, "readings": 0, "lines": None, "scan": None, "timed": timed}
    return {
        "cells": int(found_rows.size),
        "readings": None if timed else int(grid.hits.reshape(rows, columns)[shown].sum()),
        "lines": [int(found_rows.min()), int(found_rows.max())],
        "scan": [
            round(float(edges[found_columns.min()]), 3),
            round(float(edges[found_columns.max() + 1]), 3),
        ],
        "timed": timed,
    }
