"""One line of a survey drawn: wall in section, and B-scan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import zarr
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.echo import envelope
from swathe.errors import SurveyError
from swathe.pipeline import CellState, runs_of
from swathe.report.drawing import save_drawing
from swathe.report.styles import MEASURED_ONLY, STATE_STYLES, state_name
from swathe.report.thickness_axis import draw_scale, mark_beyond, recorded_scale
from swathe.store import SurveyFolder, SurveyRecord, open_arrays, read_verified_record

__all__ = ["draw_line", "line_figure", "nearest", "waveform_percent"]

# More A-scans than this are not visible next to each other; and cells that are read at a time.
_MOST_ASCANS = 2000
_READ_CELLS = 4096


def nearest(
    group: zarr.Group,
    axis: str,
    position: float,
    folder: SurveyFolder,
    units: DisplayUnits = MILLIMETRES,
) -> int:
    """Return the cell of an axis that contains a position in mm.

    Raises:
        SurveyError: the position is outside the survey; the text gives its borders.
    """
    centres = np.asarray(group[axis])
    half = float(group[axis].attrs["resolution"]) / 2  # type: ignore[arg-type]
    cell = int(np.argmin(np.abs(centres - position)))
    if abs(centres[cell] - position) > half + 1e-9:
        message = (
            f"{axis} {units.stated_text(position)} is outside the survey, which covers "
            f"{units.stated_number(float(centres[0]) - half)} to "
            f"{units.stated_text(float(centres[-1]) + half)}"
        )
        raise SurveyError(folder.path, message)
    return cell


def draw_line(folder: SurveyFolder, index_mm: float, path: Path | None = None) -> Path:
    """Draw one line: its thickness, what is missing on it, and its B-scan if A-scans were kept.

    Args:
        folder: the survey.
        index_mm: position of the line.
        path: where the PNG is written; next to the survey's picture by default.

    Raises:
        SurveyError: the record or the arrays are missing, or the line is outside the survey.
    """
    record = read_verified_record(folder).record
    units = record.display
    if record.spots:
        message = "has spots, and nothing was measured between them: see its picture"
        raise SurveyError(folder.path, message)
    group = open_arrays(folder)
    row = nearest(group, "index", index_mm, folder, units)
    has_echoes = "waveform" in group
    figure = line_figure(group, record, row, (13, 8 if has_echoes else 5))
    at = float(np.asarray(group["index"])[row])
    figure.suptitle(f"{record.part or record.station}: line {row} at index {units.stated_text(at)}")
    figure.text(0.5, -0.02, MEASURED_ONLY, ha="center", fontsize=9)
    return save_drawing(figure, folder, f"line-{row}.png", path)


def line_figure(
    group: zarr.Group, record: SurveyRecord, row: int, inches: tuple[float, float]
) -> Figure:
    """Return the drawing of one line: its wall in section, and its B-scan if A-scans were kept.

    Args:
        group: arrays of the survey.
        record: of the survey.
        row: number of the line.
        inches: width and height of the drawing.

    Raises:
        SurveyError: what is read is not what was written.
    """
    scan = np.asarray(group["scan"]) / record.display.mm_per_unit
    has_echoes = "waveform" in group
    figure = Figure(figsize=inches, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(2 if has_echoes else 1, 1, sharex=True, squeeze=False)[:, 0]
    wall = np.asarray(group["thickness"][row])  # type: ignore[index]
    _draw_wall(axes[0], scan, wall, np.asarray(group["state"][row]), record)  # type: ignore[index]
    if has_echoes:
        _draw_section(figure, axes[1], group, row, scan, wall)
    half = _half(scan)
    axes[-1].set_xlim(scan[0] - half, scan[-1] + half)
    axes[-1].set_xlabel(f"scan, {record.display.length_name}")
    return figure


def _draw_wall(
    axes: Axes,
    scan: NDArray[Any],
    thickness: NDArray[Any],
    state: NDArray[np.uint8],
    record: SurveyRecord,
) -> None:
    """Draw the thickness, mm, of a line over its scan positions, in the unit shown."""
    scale = recorded_scale(record)
    axes.plot(scan, thickness, ".-", linewidth=1, markersize=3, color="#30638e")
    half = _half(scan)
    for value in CellState:
        if value == CellState.MEASURED:
            continue
        tint, hatch = STATE_STYLES[value]
        for number, (first, last) in enumerate(runs_of(np.flatnonzero(state == value))):
            axes.axvspan(
                scan[first] - half,
                scan[last] + half,
                facecolor=tint,
                hatch=hatch,
                edgecolor="#333333",
                linewidth=0,
                alpha=0.6,
                label=None if number else state_name(value),
            )
    mark_beyond(axes, scan, thickness, scale, record.display)
    draw_scale(axes, scale, record.display)
    if axes.get_legend_handles_labels()[1]:
        axes.legend(loc="lower right")


def _half(scan: NDArray[Any]) -> float:
    """Return half the width of a cell, in the unit shown."""
    return float(scan[1] - scan[0]) / 2 if scan.size > 1 else 0.5


def _draw_section(
    figure: Figure,
    axes: Axes,
    group: zarr.Group,
    row: int,
    scan: NDArray[Any],
    wall: NDArray[Any],
) -> None:
    """Draw the envelopes of the line's A-scans side by side: a B-scan.

    Of more cells than a picture shows, the A-scan of the thinnest cell of each block is drawn.
    """
    shown = _shown_cells(wall)
    hits = np.asarray(group["hits"][row])[shown]  # type: ignore[index]
    heights = envelope(waveform_percent(group, _waveforms(group, row, shown)))
    heights[hits == 0] = np.nan
    time = np.asarray(group["sample_time"])
    half = _half(scan)
    image = axes.imshow(
        heights.T,
        extent=(scan[0] - half, scan[-1] + half, time[-1], time[0]),
        cmap="cividis",
        vmin=0,
        vmax=100,
        aspect="auto",
        interpolation="nearest",
    )
    figure.colorbar(image, ax=axes, label="envelope, % of full screen height")
    axes.set(ylabel="time, µs")


def _shown_cells(wall: NDArray[Any]) -> NDArray[np.int64]:
    """Return which cells of a line a B-scan shows: the thinnest of each block of cells."""
    step = -(-wall.size // _MOST_ASCANS)
    if step <= 1:
        return np.arange(wall.size)
    blocks = -(-wall.size // step)
    padded = np.full(blocks * step, np.inf)
    padded[: wall.size] = np.where(np.isnan(wall), np.inf, wall)
    found = np.arange(blocks) * step + padded.reshape(blocks, step).argmin(axis=1)
    return np.asarray(np.minimum(found, wall.size - 1))


def _waveforms(group: zarr.Group, row: int, shown: NDArray[np.int64]) -> NDArray[Any]:
    """Return A-scans of a line, some thousand cells read at a time."""
    layer, parts = group["waveform"], []
    for begin in range(0, layer.shape[1], _READ_CELLS):  # type: ignore[union-attr]
        end = begin + _READ_CELLS
        part = shown[(shown >= begin) & (shown < end)]
        parts.append(np.asarray(layer[row, begin:end])[part - begin])  # type: ignore[index]
    return np.concatenate(parts)


def waveform_percent(group: zarr.Group, counts: NDArray[Any]) -> NDArray[np.float32]:
    """Return A-scans in percent of full screen height."""
    attributes = group["waveform"].attrs
    zero, full = float(attributes["zero"]), float(attributes["full_scale"])  # type: ignore[arg-type]
    return ((counts.astype(np.float32) - zero) * (100 / full)).astype(np.float32)
