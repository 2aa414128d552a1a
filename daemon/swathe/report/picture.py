"""The picture of a survey: thickness beside coverage, axes in mm, gaps outlined."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import zarr
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from swathe.messages import GapMessage
from swathe.pipeline import CellState
from swathe.store import SurveyFolder, SurveyRecord, read_record

__all__ = ["draw_survey"]

# Hatches tell the states apart without colour; tints are from a palette made for colour-blind
# readers (B. Wong, Nature Methods 8, 441, 2011; from memory).
_LOOK: dict[CellState, tuple[str, str]] = {
    CellState.UNVISITED: ("#ffffff", "...."),
    CellState.SKIPPED: ("#e69f00", "////"),
    CellState.NO_SIGNAL: ("#d55e00", "oo"),
    CellState.MEASURED: ("#cfe3ee", ""),
    CellState.SUSPECT: ("#cc79a7", "xx"),
    CellState.EXCLUDED: ("#9a9a9a", "++"),
}

# A picture is looked at on a page: more points than this on an axis are not seen.
_MOST_POINTS = 2000


def draw_survey(folder: SurveyFolder, path: Path | None = None) -> Path:
    """Draw a survey from its arrays and record; return the picture's path.

    Args:
        folder: the survey.
        path: where the PNG goes; in the survey's folder unless told.

    Raises:
        SurveyError: the record or the arrays are missing; ``swathe rebuild`` makes them.
    """
    record = read_record(folder.record)
    group = zarr.open_group(folder.zarr, mode="r")
    scan = np.asarray(group["scan"])
    index = np.asarray(group["index"])
    step = (max(1, -(-index.size // _MOST_POINTS)), max(1, -(-scan.size // _MOST_POINTS)))
    thickness = _least(np.asarray(group["thickness"]), step)
    state = _worst(np.asarray(group["state"]), step)
    extent = (*_borders(group["scan"], scan), *_borders(group["index"], index)[::-1])

    figure = Figure(figsize=(15, 6.6), layout="constrained")
    FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2, sharex=True, sharey=True)
    if index.size == 1:
        _draw_profile(left, scan, np.asarray(group["thickness"])[0])
        right.set_axis_off()
    else:
        _draw_thickness(figure, left, thickness, extent, record)
        _draw_coverage(right, state, extent, record.open_gaps)
    figure.suptitle(_title(record))
    figure.text(
        0.5,
        -0.02,
        "Measured values only; no statement of fitness for service. "
        "Local codes and a licensed practitioner decide.",
        ha="center",
        fontsize=9,
    )
    path = path or folder.picture
    figure.savefig(path, dpi=110, bbox_inches="tight")
    return path
