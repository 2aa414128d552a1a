"""Drawings of a report that are no maps: the plan, profiles, the histogram, lines and A-scans."""

from __future__ import annotations

import numpy as np
import zarr
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from swathe.display_units import DisplayUnits
from swathe.document.model import DrawnPicture
from swathe.document.sheet import SHEET_WIDTH, new_sheet, place_axes, sheet_png
from swathe.evaluation import Histogram, LowestProfile
from swathe.messages import PlanMessage
from swathe.report.axis_units import scale_axes
from swathe.report.cell_picture import ascan_figure
from swathe.report.plan_pieces import pieces, zone_letters
from swathe.report.section import line_figure
from swathe.report.spot_picture import draw_spots
from swathe.report.thickness_axis import draw_scale, mark_beyond, recorded_scale
from swathe.report.thinning import thin_minimum
from swathe.store import SurveyFolder, SurveyRecord

__all__ = [
    "ascan_drawing",
    "histogram_drawing",
    "line_drawing",
    "plan_sketch",
    "profile_drawing",
    "spot_drawing",
]

_MM_PER_INCH = 25.4
_MOST_POINTS = 1400
# A datum that is farther outside the plan than this share of it is named, not drawn.
_NEAR = 0.4


def plan_sketch(record: SurveyRecord, plan: PlanMessage) -> DrawnPicture:
    """Return a sketch of the plan: axes, datum, ends, marks and excluded zones."""
    units = record.display
    height = 42.0 if plan.profile else 78.0
    figure = new_sheet(height)
    axes = place_axes(figure, 20.0, 8.0, 132.0, height - 24.0)
    scan, index = plan.scan, plan.index
    axes.add_patch(
        Rectangle(
            (scan.low, index.low), scan.high - scan.low, index.high - index.low,
            facecolor="#eeeeee", edgecolor="black", linewidth=1.2,
        )
    )  # fmt: skip
    for letter, zone in zip(zone_letters(), plan.excluded, strict=False):
        for along, across in pieces(record, zone.scan, zone.index):
            sides = along.high - along.low, across.high - across.low
            axes.add_patch(
                Rectangle(
                    (along.low, across.low),
                    *sides,
                    facecolor="white",
                    hatch="++",
                    edgecolor="black",
                )
            )
            middle = (along.low + along.high) / 2, (across.low + across.high) / 2
            axes.annotate(
                letter, middle, ha="center", va="center", fontsize=8,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
            )  # fmt: skip
    for number, mark in enumerate(plan.marks, 1):
        _mark(axes, plan, f"M{number}", mark.scan, mark.index)
    words = _datum(axes, plan)
    _arrows(axes, plan, units)
    caption = f"Plan, not to scale: scan {units.stated_number(scan.low)} to {units.stated_text(scan.high)}"
    if not plan.profile:
        caption += f", index {units.stated_number(index.low)} to {units.stated_text(index.high)}"
    seam = _seam_words(plan, units)
    return DrawnPicture(
        sheet_png(figure), SHEET_WIDTH, height, f"{caption} (outer borders of the cells). {words}{seam}",
        "Sketch of the plan with scan and index axis, datum, marks and excluded zones",
    )  # fmt: skip


def _seam_words(plan: PlanMessage, units: DisplayUnits) -> str:
    """Return, with a space ahead, that an axis goes round, and how ranges over its seam read; else nothing."""
    words = ""
    for name, turn in (("scan", plan.scan_turn), ("index", plan.index_turn)):
        if turn is not None:
            low, high = units.stated_number(turn.low), units.stated_text(turn.high)
            words += (
                f" The {name} axis goes round the part: {low} and {high} are the same line, the seam. A range "
                "from a higher to a lower position goes over it."
            )
    return words


def _mark(
    axes: Axes, plan: PlanMessage, name: str, scan: float | None, index: float | None
) -> None:
    """Draw a mark: a cross, or a line across the plan where only one position is known."""
    if scan is not None and index is not None:
        axes.plot(scan, index, "x", color="black", markersize=6, clip_on=False)
        at = scan, index
    elif scan is not None:
        axes.plot([scan, scan], plan.index, "-.", color="black", linewidth=1, clip_on=False)
        at = scan, plan.index.high
    elif index is not None:
        axes.plot(plan.scan, [index, index], "-.", color="black", linewidth=1, clip_on=False)
        at = plan.scan.high, index
    else:
        return
    axes.annotate(name, at, xytext=(4, 3), textcoords="offset points", fontsize=7)


def _datum(axes: Axes, plan: PlanMessage) -> str:
    """Draw the datum where it is near; return where it is in words."""
    near = []
    for extent in (plan.scan, plan.index):
        room = _NEAR * (extent.high - extent.low)
        near.append(extent.low - room <= 0 <= extent.high + room)
    limits = [
        (min(extent.low, 0.0), max(extent.high, 0.0)) if all(near) else (extent.low, extent.high)
        for extent in (plan.scan, plan.index)
    ]
    margins = [0.06 * (high - low) for low, high in limits]
    axes.set_xlim(limits[0][0] - margins[0], limits[0][1] + margins[0])
    axes.set_ylim(limits[1][1] + margins[1], limits[1][0] - margins[1])
    if not all(near):
        return "The datum, where both positions are 0, is outside the sketch."
    y = 0.0
    axes.plot(0, y, "o", color="black", markerfacecolor="white", markersize=8, clip_on=False)
    axes.plot(0, y, "+", color="black", markersize=12, clip_on=False)
    return "The circled cross is the datum, from which positions are counted."


def _arrows(axes: Axes, plan: PlanMessage, units: DisplayUnits) -> None:
    """Draw the directions of both axes, with the names of their ends."""
    scale_axes(axes, units)
    for side in ("top", "right", "left", "bottom"):
        axes.spines[side].set_visible(False)
    style = {"arrowstyle": "-|>", "linewidth": 1.0, "color": "black"}
    axes.annotate("", (0.62, 1.03), (0.38, 1.03), xycoords="axes fraction", arrowprops=style)
    axes.annotate(
        "scan", (0.5, 1.03), xycoords="axes fraction", xytext=(0, 3), textcoords="offset points",
        fontsize=8, ha="center",
    )  # fmt: skip
    ends = [("left", 0.0, plan.scan_ends[0]), ("right", 1.0, plan.scan_ends[1])]
    for side, at, name in ends:
        axes.text(
            at,
            1.03,
            name,
            transform=axes.transAxes,
            fontsize=8,
            ha=side,
            va="bottom",
            parse_math=False,
        )
    axes.set_xlabel(f"scan, {units.length_name}", fontsize=7, labelpad=1)
    if plan.profile:
        axes.set_yticks([])
        return
    axes.annotate("", (1.03, 0.3), (1.03, 0.7), xycoords="axes fraction", arrowprops=style)
    axes.text(1.045, 0.5, "index", transform=axes.transAxes, fontsize=8, va="center")
    for at, name, side in ((1.0, plan.index_ends[0], "top"), (0.0, plan.index_ends[1], "bottom")):
        axes.text(1.02, at, name, transform=axes.transAxes, fontsize=8, va=side, parse_math=False)
    axes.set_ylabel(f"index, {units.length_name}", fontsize=7, labelpad=1)


def profile_drawing(profile: LowestProfile, record: SurveyRecord) -> DrawnPicture:
    """Return the profile of the lowest thickness along an axis, with where cells were not seen."""
    units, scale = record.display, recorded_scale(record)
    figure = new_sheet(53.5)
    axes = place_axes(figure, 16.0, 3.0, 150.0, 42.0)
    step = max(1, -(-profile.positions.size // _MOST_POINTS))
    lowest = thin_minimum(profile.lowest[None].astype(float), (1, step))[0]
    edges = np.arange(0, profile.positions.size, step)
    positions = np.add.reduceat(profile.positions, edges) / np.diff(
        np.append(edges, profile.positions.size)
    )
    unseen = np.add.reduceat(profile.unseen, edges) > 0
    axes.plot(positions, lowest, "-", color="black", linewidth=0.8, drawstyle="steps-mid")
    half = step * _width(profile) / 2
    mark_beyond(axes, positions, lowest, scale, units)
    scale_axes(axes, units)
    draw_scale(axes, scale, units)
    axes.yaxis.label.set_fontsize(7)
    bottom, top = axes.get_ylim()
    strip = bottom - 0.06 * (top - bottom)
    axes.set_ylim(strip, top)
    axes.fill_between(
        np.stack((positions - half, positions + half), axis=1).ravel(),
        strip, np.where(np.repeat(unseen, 2), strip + 0.04 * (top - bottom), strip),
        color="black", linewidth=0,
    )  # fmt: skip
    axes.set_xlim(positions[0] - half, positions[-1] + half)
    axes.set_xlabel(f"{profile.axis}, {units.length_name}", fontsize=7, labelpad=1)
    if axes.get_legend_handles_labels()[1]:
        axes.legend(fontsize=6.5, loc="lower right", ncols=3)
    across = "index" if profile.axis == "scan" else "scan"
    caption = (
        f"Lowest thickness of the cells that count at each {profile.axis} position, over all {across} "
        "positions. Black blocks below: there, required cells were not seen or do not count."
    )
    return DrawnPicture(
        sheet_png(figure), SHEET_WIDTH, 53.5, caption,
        f"Profile of the lowest thickness along the {profile.axis} axis",
    )  # fmt: skip


def _width(profile: LowestProfile) -> float:
    at = profile.positions
    return float(at[1] - at[0]) if at.size > 1 else 1.0


def histogram_drawing(bins: Histogram, units: DisplayUnits) -> DrawnPicture:
    """Return the histogram of the cells that count."""
    figure = new_sheet(45.0, 110.0)
    axes = place_axes(figure, 18.0, 3.0, 88.0, 34.0)
    edges = bins.low + bins.width * np.arange(bins.counts.size + 1)
    axes.bar(
        edges[:-1], bins.counts, bins.width, align="edge", color="#bbbbbb", edgecolor="black",
        linewidth=0.6,
    )  # fmt: skip
    scale_axes(axes, units)
    axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.yaxis.set_major_formatter(lambda count, _: f"{count:,.0f}")
    axes.set_xlabel(f"thickness, {units.length_name}", fontsize=7, labelpad=1)
    axes.set_ylabel("cells", fontsize=7, labelpad=1)
    return DrawnPicture(
        sheet_png(figure), 110.0, 45.0, "Cells that count, by thickness.",
        "Histogram of the thickness of the cells that count",
    )  # fmt: skip


def line_drawing(group: zarr.Group, record: SurveyRecord, row: int, caption: str) -> DrawnPicture:
    """Return a line: its wall in section, and its B-scan if A-scans were kept."""
    has_echoes = "waveform" in group
    height = 118.0 if has_echoes else 66.0
    figure = line_figure(group, record, row, _inches(height))
    return _printed(
        figure, height, caption, "Thickness along one line" + ", and its B-scan" * has_echoes
    )


def ascan_drawing(
    folder: SurveyFolder, group: zarr.Group, cell: tuple[int, int], caption: str
) -> DrawnPicture:
    """Return the A-scan that a cell kept, with what was measured in it."""
    figure, problems = ascan_figure(folder, group, cell, _inches(72.0))
    axes = figure.axes[0]
    handles, labels = axes.get_legend_handles_labels()
    axes.legend(
        handles, labels, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False
    )
    words = "".join(f" {text[0].upper()}{text[1:]}." for text in problems)
    return _printed(
        figure, 72.0, f"{caption}{words}", "A-scan with its gates and the measured points"
    )


def spot_drawing(record: SurveyRecord) -> DrawnPicture:
    """Return the picture of a survey of spots."""
    figure = Figure(figsize=_inches(80.0), layout="constrained")
    FigureCanvasAgg(figure)
    draw_spots(figure.subplots(), record)
    return _printed(figure, 80.0, "Spots, in the order of the plan.", "Thickness of each spot")


def _inches(height: float) -> tuple[float, float]:
    return SHEET_WIDTH / _MM_PER_INCH, height / _MM_PER_INCH


def _printed(figure: Figure, height: float, caption: str, alternative: str) -> DrawnPicture:
    """Return a drawing with the small letters that its size on paper asks for."""
    for axes in figure.axes:
        axes.tick_params(labelsize=7, length=2)
        axes.xaxis.label.set_fontsize(7)
        axes.yaxis.label.set_fontsize(7)
        if (legend := axes.get_legend()) is not None:
            for text in legend.get_texts():
                text.set_fontsize(6.5)
        for text in axes.texts:
            text.set_fontsize(7)
    return DrawnPicture(sheet_png(figure), SHEET_WIDTH, height, caption, alternative)
