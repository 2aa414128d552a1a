"""The picture of a survey: thickness and coverage, axes in mm, gaps outlined."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import numpy as np
import zarr
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from swathe.messages import GapMessage
from swathe.pipeline import CellState, GapEnd, runs_of
from swathe.pipeline.progress.fields import number_text
from swathe.report.gap_table import minimum_with_level
from swathe.report.styles import MEASURED_ONLY, STATE_STYLES, state_name
from swathe.report.thinning import thin_minimum, thin_worst
from swathe.store import SurveyFolder, SurveyRecord, read_survey_record

__all__ = ["draw_survey"]

# More points than this on an axis are not visible on a page.
_MOST_POINTS = 2000
# From this ratio of length to height on, the maps are drawn one above the other.
_WIDE = 1.6
# Height of a profile's strip of gaps, and the length from which on a gap's number fits next to it.
_STRIP = 0.03
_NUMBERED = 0.01


def draw_survey(folder: SurveyFolder, path: Path | None = None) -> Path:
    """Draw a survey from its arrays and record; return the picture's path.

    Args:
        folder: the survey.
        path: where the PNG is written; in the survey's folder by default.

    Raises:
        SurveyError: the record or the arrays are missing; ``swathe rebuild`` makes them.
    """
    record = read_survey_record(folder.record)
    group = zarr.open_group(folder.zarr, mode="r")
    scan = np.asarray(group["scan"])
    index = np.asarray(group["index"])
    step = (max(1, -(-index.size // _MOST_POINTS)), max(1, -(-scan.size // _MOST_POINTS)))
    thickness = thin_minimum(np.asarray(group["thickness"]), step)
    state = thin_worst(np.asarray(group["state"]), step)
    extent = (*_borders(group["scan"], scan), *_borders(group["index"], index)[::-1])

    wide = abs(extent[1] - extent[0]) > _WIDE * abs(extent[3] - extent[2])
    figure = Figure(figsize=(12, 8) if wide else (15, 7.5), layout="constrained")
    FigureCanvasAgg(figure)
    if index.size == 1:
        _draw_profile(figure.subplots(), scan, np.asarray(group["thickness"])[0], record)
    else:
        shape = (2, 1) if wide else (1, 2)
        first, second = figure.subplots(*shape, sharex=True, sharey=True)
        _draw_thickness(figure, first, thickness, extent, record, side_bar=wide)
        _draw_coverage(second, state, extent, record)
    figure.suptitle(_title(record))
    figure.text(
        0.5,
        -0.02,
        MEASURED_ONLY,
        ha="center",
        fontsize=9,
    )
    path = path or folder.picture
    figure.savefig(path, dpi=110, bbox_inches="tight")
    return path


def _borders(array: Any, centres: NDArray[Any]) -> tuple[float, float]:  # noqa: ANN401  zarr array
    half = float(array.attrs["resolution"]) / 2
    return float(centres[0]) - half, float(centres[-1]) + half


def _draw_thickness(
    figure: Figure,
    axes: Axes,
    thickness: NDArray[Any],
    extent: tuple[float, ...],
    record: SurveyRecord,
    *,
    side_bar: bool,
) -> None:
    image = axes.imshow(
        np.ma.masked_invalid(thickness),
        extent=extent,  # type: ignore[arg-type]
        cmap="viridis",
        interpolation="nearest",
        aspect="equal",
    )
    axes.set_facecolor("#ffffff")
    figure.colorbar(
        image, ax=axes, label="thickness, mm", location="right" if side_bar else "bottom"
    )
    progress = record.progress
    if progress.minimum is not None and progress.minimum_scan is not None:
        at = (progress.minimum_scan, progress.minimum_index or 0.0)
        axes.plot(*at, marker="v", color="black", markerfacecolor="white", markersize=9)
        axes.annotate(
            f"minimum {minimum_with_level(progress)}",
            at,
            xytext=(8, 10),
            textcoords="offset points",
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "alpha": 0.85},
        )
    axes.set(title="Thickness", xlabel="scan, mm", ylabel="index, mm")


def _draw_coverage(
    axes: Axes, state: NDArray[np.uint8], extent: tuple[float, ...], record: SurveyRecord
) -> None:
    colours = ListedColormap([STATE_STYLES[value][0] for value in CellState])
    norm = BoundaryNorm(np.arange(len(CellState) + 1) - 0.5, len(CellState))
    axes.imshow(
        state,
        extent=extent,  # type: ignore[arg-type]
        cmap=colours,
        norm=norm,
        interpolation="nearest",
        aspect="equal",
    )
    rows, columns = state.shape
    x = np.linspace(extent[0], extent[1], columns + 1)
    y = np.linspace(extent[3], extent[2], rows + 1)
    handles = []
    for value in CellState:
        tint, hatch = STATE_STYLES[value]
        present = state == value
        if not present.any():
            continue
        handles.append(
            Patch(facecolor=tint, hatch=hatch, edgecolor="#333333", label=state_name(value))
        )
        if hatch:
            for row in np.flatnonzero(present.any(axis=1)).tolist():
                for first, last in runs_of(np.flatnonzero(present[row])):
                    axes.add_patch(
                        Rectangle(
                            (x[first], y[row]),
                            x[last + 1] - x[first],
                            y[row + 1] - y[row],
                            fill=False,
                            hatch=hatch,
                            edgecolor="#333333",
                            linewidth=0,
                        )
                    )
    handles += _outline(axes, record)
    axes.set(title="Coverage", xlabel="scan, mm", ylabel="index, mm")
    axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=4)


def _outline(axes: Axes, record: SurveyRecord) -> list[Patch]:
    """Draw a frame around each gap, and return its entries in the legend."""
    styles: tuple[tuple[str, str, Literal["solid", "dotted"]], ...] = (
        ("open", "#c1121f", "solid"),
        ("closed", "#555555", "dotted"),
    )
    handles = []
    for status, colour, style in styles:
        gaps = [gap for gap in record.gaps if gap.status == status and _is_shown(gap)]
        for gap in gaps:
            frame = Rectangle(
                (gap.scan.low, gap.index.low),
                gap.scan.high - gap.scan.low,
                gap.index.high - gap.index.low,
                fill=False,
                edgecolor=colour,
                linestyle=style,
                linewidth=1.6,
            )
            axes.add_patch(frame)
            axes.annotate(
                str(gap.number),
                (gap.scan.low, gap.index.low),
                xytext=(1, 2),
                textcoords="offset points",
                color=colour,
                fontsize=7,
            )
        if gaps:
            label = "gap, open" if status == "open" else "gap, measured later"
            handles.append(Patch(fill=False, edgecolor=colour, linestyle=style, label=label))
    return handles


def _is_shown(gap: GapMessage) -> bool:
    """Return whether a gap is open or ended by being measured, not by a merger."""
    return gap.end in (None, GapEnd.MEASURED)


def _draw_profile(
    axes: Axes, scan: NDArray[Any], thickness: NDArray[Any], record: SurveyRecord
) -> None:
    axes.plot(scan, thickness, linewidth=1, color="#30638e", label="thickness")
    length = float(scan[-1] - scan[0])
    for number, gap in enumerate(record.open_gaps):
        # A strip along the lower edge: many short gaps must not hide the wall.
        axes.axvspan(
            gap.scan.low,
            gap.scan.high,
            ymax=_STRIP,
            color="#c1121f",
            label=None if number else "gap, open",
        )
        if gap.scan.high - gap.scan.low > _NUMBERED * length:
            position = (gap.scan.low, _STRIP)
            axes.annotate(str(gap.number), position, xycoords=("data", "axes fraction"), fontsize=8)
    axes.invert_yaxis()  # the back wall is below the scanned surface
    axes.legend(loc="upper right")
    axes.set(title="Line profile", xlabel="scan, mm", ylabel="thickness, mm")


def _title(record: SurveyRecord) -> str:
    progress = record.progress
    return (
        f"{record.part or record.station}: {number_text(progress, 'percent')} % of {progress.required:,} "
        f"cells measured, {len(record.open_gaps)} gaps open, {record.status}"
    )
