"""The picture of a survey: thickness and coverage, axes in mm, gaps outlined."""

from __future__ import annotations

from pathlib import Path
from textwrap import shorten
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from swathe.display_units import DisplayUnits
from swathe.pipeline import CellState, runs_of
from swathe.pipeline.progress.confirm_snapshot import Where, raw_minimum_text
from swathe.pipeline.progress.fields import number_text
from swathe.report.axis_units import scale_axes
from swathe.report.drawing import save_drawing
from swathe.report.gap_table import minimum_with_interval
from swathe.report.plan_pieces import is_shown, pieces, zone_letters
from swathe.report.spot_picture import draw_spots
from swathe.report.spots import spots_summary
from swathe.report.styles import MEASURED_ONLY, STATE_STYLES, state_name
from swathe.report.thickness_axis import (
    beyond_text,
    colours_of,
    draw_bar,
    draw_scale,
    mark_beyond,
    outline_thin,
    recorded_scale,
)
from swathe.report.thin_layers import thin_layers
from swathe.store import SurveyFolder, SurveyRecord, ZoneRecord, open_arrays, read_verified_record

__all__ = ["draw_survey", "hatch_cells"]

# More points than this on an axis are not visible on a page.
_MOST_POINTS = 2000
# From this ratio of length to height on, the maps are drawn one above the other.
_WIDE = 1.6
# Characters of a line in the legend of the zones, and the height of a row of a legend.
_LEGEND_CHARACTERS = 110
_LEGEND_ROW = 0.06
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
    record = read_verified_record(folder).record
    group = open_arrays(folder)
    scan = np.asarray(group["scan"])
    index = np.asarray(group["index"])
    step = (max(1, -(-index.size // _MOST_POINTS)), max(1, -(-scan.size // _MOST_POINTS)))
    thickness, state = thin_layers(folder, group, step)
    extent = (*_borders(group["scan"], scan), *_borders(group["index"], index)[::-1])

    wide = abs(extent[1] - extent[0]) > _WIDE * abs(extent[3] - extent[2])
    figure = Figure(figsize=(12, 8) if wide else (15, 7.5), layout="constrained")
    FigureCanvasAgg(figure)
    if record.spots:
        draw_spots(figure.subplots(), record)
    elif index.size == 1:
        _draw_profile(figure.subplots(), scan, np.asarray(group["thickness"])[0], record)
    else:
        shape = (2, 1) if wide else (1, 2)
        first, second = figure.subplots(*shape, sharex=True, sharey=True)
        image = _draw_thickness(first, thickness, state, extent, record)
        _draw_coverage(second, state, extent, record)
        draw_bar(
            figure,
            image,
            (first, second),
            recorded_scale(record),
            record.display,
            location="right" if wide else "bottom",
        )
    figure.suptitle(_title(record))
    figure.text(
        0.5,
        -0.02,
        MEASURED_ONLY,
        ha="center",
        fontsize=9,
    )
    return save_drawing(figure, folder, folder.picture.name, path)


def _borders(array: Any, centres: NDArray[Any]) -> tuple[float, float]:  # noqa: ANN401  zarr array
    half = float(array.attrs["resolution"]) / 2
    return float(centres[0]) - half, float(centres[-1]) + half


def _draw_thickness(
    axes: Axes,
    thickness: NDArray[Any],
    state: NDArray[np.uint8],
    extent: tuple[float, ...],
    record: SurveyRecord,
) -> AxesImage:
    """Draw the thickness; excluded cells are hatched as in the coverage, read or not."""
    units, scale = record.display, recorded_scale(record)
    image = axes.imshow(
        np.ma.masked_invalid(thickness),
        extent=extent,  # type: ignore[arg-type]
        interpolation="nearest",
        aspect="equal",
        **colours_of(scale),
    )
    axes.set_facecolor("#ffffff")
    hatch_cells(axes, state == CellState.EXCLUDED, STATE_STYLES[CellState.EXCLUDED][1], extent)
    outline_thin(axes, thickness, extent, scale.alert_below)
    progress = record.progress
    if progress.minimum is not None and progress.minimum_scan is not None:
        at = (progress.minimum_scan, progress.minimum_index or 0.0)
        axes.plot(*at, marker="v", color="black", markerfacecolor="white", markersize=9)
        axes.annotate(
            f"minimum {minimum_with_interval(record)}",
            at,
            xytext=(8, 10),
            textcoords="offset points",
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "alpha": 0.85},
        )
    where = Where() if record.plan is None else record.plan.where
    if (raw := raw_minimum_text(progress, units, where)) and progress.minimum_raw_scan is not None:
        at = (progress.minimum_raw_scan, progress.minimum_raw_index or 0.0)
        axes.plot(*at, marker="D", color="black", markerfacecolor="none", markersize=9)
        axes.annotate(
            raw, at, xytext=(8, -14), textcoords="offset points",
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "alpha": 0.85},
        )  # fmt: skip
    beyond = beyond_text(thickness, scale, units)
    _label(axes, f"Thickness ({beyond})" if beyond else "Thickness", units)
    return image


def hatch_cells(
    axes: Axes, present: NDArray[np.bool_], hatch: str, extent: tuple[float, ...]
) -> None:
    """Hatch cells, by runs along the scan axis.

    Args:
        axes: on which the cells are drawn.
        present: which of them, shape (rows, columns).
        hatch: of matplotlib.
        extent: left, right, bottom and top of all cells, as of ``imshow``.
    """
    rows, columns = present.shape
    x = np.linspace(extent[0], extent[1], columns + 1)
    y = np.linspace(extent[3], extent[2], rows + 1)
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
            hatch_cells(axes, present, hatch, extent)
    handles += _outline(axes, record)
    zones = _name_zones(axes, record)
    _label(axes, "Coverage", record.display)
    legend = axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=4)
    if zones:
        axes.add_artist(legend)
        rows = -(-len(handles) // 4)
        axes.legend(
            handles=zones,
            loc="upper center",
            bbox_to_anchor=(0.5, -0.2 - _LEGEND_ROW * (rows + 1)),
            fontsize=8,
        )


def _outline(axes: Axes, record: SurveyRecord) -> list[Patch]:
    """Draw a frame around each gap, and return its entries in the legend."""
    styles: tuple[tuple[str, str, Literal["solid", "dotted"]], ...] = (
        ("open", "#c1121f", "solid"),
        ("closed", "#555555", "dotted"),
    )
    handles = []
    for status, colour, style in styles:
        gaps = [gap for gap in record.gaps if gap.status == status and is_shown(gap)]
        for gap in gaps:
            for scan, index in pieces(record, gap.scan, gap.index):
                frame = Rectangle(
                    (scan.low, index.low),
                    scan.high - scan.low,
                    index.high - index.low,
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


def _name_zones(axes: Axes, record: SurveyRecord) -> list[Patch]:
    """Outline and letter the zones excluded while scanning; return their entries in the legend."""
    handles = []
    for letter, zone in zip(zone_letters(), record.zones, strict=False):
        for scan, index in pieces(record, zone.scan, zone.index):
            axes.add_patch(
                Rectangle(
                    (scan.low, index.low),
                    scan.high - scan.low,
                    index.high - index.low,
                    fill=False,
                    edgecolor="#333333",
                    linewidth=1.2,
                )
            )
            axes.annotate(
                letter,
                ((scan.low + scan.high) / 2, (index.low + index.high) / 2),
                ha="center",
                va="center",
                fontsize=8,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
            )
        handles.append(_zone_entry(letter, zone))
    return handles


def _zone_entry(letter: str, zone: ZoneRecord) -> Patch:
    """Return the entry of a zone in a legend: what, by whom, when and why."""
    because = f": {zone.because}" if zone.because else ""
    when = f"{zone.time:%Y-%m-%d %H:%M} UTC"
    text = f"{letter}: {zone.name}, excluded by {zone.by}, {when}{because}"
    return Patch(fill=False, edgecolor="#333333", label=shorten(text, _LEGEND_CHARACTERS))


def _draw_profile(
    axes: Axes, scan: NDArray[Any], thickness: NDArray[Any], record: SurveyRecord
) -> None:
    units, scale = record.display, recorded_scale(record)
    axes.plot(scan, thickness, linewidth=1, color="#30638e", label="thickness")
    mark_beyond(axes, scan, thickness, scale, units)
    length = float(scan[-1] - scan[0])
    for number, gap in enumerate(record.open_gaps):
        # A strip along the lower edge: many short gaps must not hide the wall.
        for piece, (extent, _) in enumerate(pieces(record, gap.scan, gap.index)):
            axes.axvspan(
                extent.low,
                extent.high,
                ymax=_STRIP,
                color="#c1121f",
                label=None if number or piece else "gap, open",
            )
        if gap.scan.high - gap.scan.low > _NUMBERED * length:
            position = (gap.scan.low, _STRIP)
            axes.annotate(str(gap.number), position, xycoords=("data", "axes fraction"), fontsize=8)
    for letter, zone in zip(zone_letters(), record.zones, strict=False):
        for extent, _ in pieces(record, zone.scan, zone.index):
            axes.axvspan(extent.low, extent.high, facecolor="none", hatch="xx", edgecolor="#888888")
            axes.annotate(
                letter,
                ((extent.low + extent.high) / 2, 0.5),
                xycoords=("data", "axes fraction"),
                ha="center",
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
            )
    scale_axes(axes, units)
    draw_scale(axes, scale, units)
    handles, _ = axes.get_legend_handles_labels()
    entries = zip(zone_letters(), record.zones, strict=False)
    axes.legend(handles=[*handles, *(_zone_entry(*entry) for entry in entries)], loc="upper right")
    axes.set(title="Line profile", xlabel=f"scan, {units.length_name}")


def _label(axes: Axes, title: str, units: DisplayUnits) -> None:
    scale_axes(axes, units)
    axes.set(title=title, xlabel=f"scan, {units.length_name}", ylabel=f"index, {units.length_name}")


def _title(record: SurveyRecord) -> str:
    progress = record.progress
    if record.spots:
        return f"{record.part or record.station}: {spots_summary(record)}"
    return (
        f"{record.part or record.station}: {number_text(progress, 'percent')} % of {progress.required:,} "
        f"cells measured, {len(record.open_gaps)} gaps open, {record.status}"
    )
