"""The drawing of a raster before it is driven: lines in order, run-in and run-out, zones, totals."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import ListedColormap, Normalize
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from swathe.display_units import DisplayUnits
from swathe.motion import MoveKind, Plan, Point, WorkArea
from swathe.motion.limits.zones import Box
from swathe.report.axis_units import scale_axes

__all__ = ["draw_plan"]

_COLOURS = "viridis"
_DARKEST, _LIGHTEST = 0.0, 0.85  # the lightest tints do not show on white
_NUMBERED_LINES = 25


def draw_plan(plan: Plan, area: WorkArea, path: Path) -> Path:
    """Draw a plan as a PNG; return its path.

    Positions are drawn as the machine counts them: a probe that goes round a pipe twice is seen to
    go on, and zones are repeated each turn.

    Args:
        plan: what will be driven.
        area: that it was planned over.
        path: where the PNG goes.
    """
    units = area.limits.units
    window = _window(plan, area)
    width, height = window[1] - window[0], window[3] - window[2]
    ratio = height / width
    size = (14.0, min(max(12.0 * ratio, 3.0) + 2.2, 11.0))
    if ratio > 1:
        size = (min(max(9.0 / ratio, 4.5) + 3.5, 11.0), 11.0)
    figure = Figure(figsize=size, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    _draw_grid(axes, area)
    boxes = _draw_zones(axes, area, window)
    _draw_moves(figure, axes, plan, area)
    _number_lines(axes, plan)
    _draw_ends(axes, plan)
    # Equal scales unless the area is so long that its lines would run into each other.
    equal = 0.15 < ratio < 6
    axes.set(
        xlim=window[:2],
        ylim=window[:1:-1],
        xlabel=f"scan, {units.length_name}",
        ylabel=f"index, {units.length_name}{'' if equal else ' (stretched)'}",
        aspect="equal" if equal else "auto",
    )
    figure.legend(
        handles=_legend(plan, area, zones=bool(boxes)), loc="outside lower center", ncols=4
    )
    scale_axes(axes, units)
    figure.suptitle(_title(plan, units))
    figure.savefig(path, dpi=110)
    return path


def _window(plan: Plan, area: WorkArea) -> Box:
    """Return what is shown: the grid and every move, with a little room around."""
    low, high = (
        np.array([area.scan.edges(0, 0)[0], area.index.edges(0, 0)[0]]),
        np.array([axis.edges(0, axis.cells - 1)[1] for axis in area.axes]),
    )
    for move in plan.moves:
        low = np.minimum(low, np.minimum(move.start, move.end))
        high = np.maximum(high, np.maximum(move.start, move.end))
    room = 0.03 * (high - low)
    low, high = low - room, high + room
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def _draw_grid(axes: Axes, area: WorkArea) -> None:
    (x0, x1), (y0, y1) = (axis.edges(0, axis.cells - 1) for axis in area.axes)
    axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor="#f3f3f3", edgecolor="#666666"))


def _draw_zones(axes: Axes, area: WorkArea, window: Box) -> list[Box]:
    boxes = area.zones.boxes_in(window)
    clear = area.zones.clearance
    left, right, down, up = area.zones.footprint
    for x0, x1, low, high in boxes:
        # A zone from end to end of the axis has no borders to draw.
        y0, y1 = max(low, window[2] - clear - up), min(high, window[3] + clear - down)
        if clear or any(area.zones.footprint):
            axes.add_patch(
                Rectangle(
                    (x0, y0), x1 - x0, y1 - y0, fill=False, edgecolor="#9c3a3a", linestyle=":"
                )
            )
        inner = (x1 - x0 - 2 * clear - right + left, y1 - y0 - 2 * clear - up + down)
        axes.add_patch(
            Rectangle(
                (x0 + clear + right, y0 + clear + up),
                *inner,
                facecolor="#d9d9d9",
                hatch="xx",
                edgecolor="#9c3a3a",
                linewidth=0.8,
            )
        )
    return boxes


def _draw_moves(figure: Figure, axes: Axes, plan: Plan, area: WorkArea) -> None:
    scans = [move for move in plan.moves if move.kind is MoveKind.SCAN]
    transfers = [(m.start, m.end) for m in plan.moves if m.kind is MoveKind.TRANSFER]
    axes.add_collection(
        LineCollection(transfers, colors="#555555", linestyles="dotted", linewidths=1)
    )
    shown = Normalize(1, max(len(scans), 2))
    tints = colormaps[_COLOURS](np.linspace(_DARKEST, _LIGHTEST, 256))
    colours = ListedColormap(tints)(shown(np.arange(1, len(scans) + 1)))
    along = 0 if plan.along == "scan" else 1
    period = area.zones.periods[along]
    whole: list[tuple[Point, Point]] = []
    inner: list[tuple[Point, Point]] = []
    for move, stretch in zip(scans, plan.stretches, strict=True):
        whole.append((move.start, move.end))
        ends = sorted((move.start[along], move.end[along]))
        # A stretch is given at one turn of a pipe, its move at another one.
        off = (ends[0] + ends[1] - stretch.low - stretch.high) / 2
        turn = 0.0 if period is None else round(off / period) * period
        low, high = max(stretch.low + turn, ends[0]), min(stretch.high + turn, ends[1])
        at = move.start[1 - along]
        inner.append(((low, at), (high, at)) if along == 0 else ((at, low), (at, high)))
    axes.add_collection(LineCollection(_strips(plan), colors="#9db3c4", linewidths=0.6))
    axes.add_collection(LineCollection(whole, colors=colours, linewidths=0.9, linestyles="dashed"))
    axes.add_collection(LineCollection(inner, colors=colours, linewidths=2))
    # An odd step, so that of lines driven to and fro both directions get their arrows.
    step = math.ceil(len(scans) / 60) | 1
    for k, move in enumerate(scans):
        if k % step == 0:
            middle = ((move.start[0] + move.end[0]) / 2, (move.start[1] + move.end[1]) / 2)
            ahead = (middle[0] + (move.end[0] - move.start[0]) * 1e-3,
                     middle[1] + (move.end[1] - move.start[1]) * 1e-3)  # fmt: skip
            axes.annotate(
                "", ahead, middle, arrowprops={"arrowstyle": "-|>", "color": colours[k], "lw": 1.5}
            )
    figure.colorbar(
        ScalarMappable(shown, ListedColormap(tints)),
        ax=axes,
        label="order of the scans",
        shrink=0.8,
    )


def _strips(plan: Plan) -> list[tuple[Point, Point]]:
    """Return what each of several probes scans, as ends of lines."""
    strips = [strip for stretch in plan.stretches for strip in stretch.strips]
    if plan.along == "scan":
        return [((one.low, one.at), (one.high, one.at)) for one in strips]
    return [((one.at, one.low), (one.at, one.high)) for one in strips]


def _number_lines(axes: Axes, plan: Plan) -> None:
    along = 0 if plan.along == "scan" else 1
    first: dict[int, Point] = {}
    for move in plan.moves:
        if move.kind is MoveKind.SCAN and move.line not in first:
            first[move.line] = min(move.start, move.end, key=lambda place: place[along])
    step = math.ceil(len(first) / _NUMBERED_LINES)
    for line in sorted(first)[::step]:
        axes.annotate(
            str(line), first[line], fontsize=7, textcoords="offset points",
            xytext=(-4, 0) if along == 0 else (0, 4),
            ha="right" if along == 0 else "center", va="center" if along == 0 else "bottom",
        )  # fmt: skip


def _draw_ends(axes: Axes, plan: Plan) -> None:
    if plan.moves:
        axes.plot(*plan.moves[0].start, "o", color="black", markersize=8, zorder=5)
        axes.plot(*plan.moves[-1].end, "s", color="black", markersize=7, zorder=5)


def _legend(plan: Plan, area: WorkArea, *, zones: bool) -> list[Line2D | Patch]:
    handles: list[Line2D | Patch] = [
        Line2D([], [], color="#3b528b", linewidth=2, label="scan"),
        *(
            [Line2D([], [], color="#9db3c4", linewidth=0.8, label="scanned by a probe")]
            if plan.passes
            else []
        ),
        Line2D([], [], color="#3b528b", linewidth=0.9, linestyle="dashed",
               label=f"run-in and run-out, {area.limits.units.place_text(plan.run)}"),
        Line2D([], [], color="#555555", linestyle="dotted", label="transfer"),
        Line2D([], [], color="black", marker="o", linestyle="", label="begin"),
        Line2D([], [], color="black", marker="s", linestyle="", label="end"),
        Patch(facecolor="#f3f3f3", edgecolor="#666666", label="grid"),
    ]  # fmt: skip
    if zones:
        label = f"excluded zone, {area.limits.units.stated_text(area.zones.clearance)} clearance"
        handles.append(Patch(facecolor="#d9d9d9", hatch="xx", edgecolor="#9c3a3a", label=label))
    if zones and any(area.zones.footprint):
        label = "where the datum may not be"
        handles.append(Patch(fill=False, edgecolor="#9c3a3a", linestyle=":", label=label))
    return handles


def _title(plan: Plan, units: DisplayUnits) -> str:
    minutes, seconds = divmod(round(plan.seconds), 60)
    hours, minutes = divmod(minutes, 60)
    time = f"{hours} h {minutes:02} min" if hours else f"{minutes} min {seconds:02} s"
    lines = f"{len(plan.lines)} lines"
    lines = f"{plan.pass_count} passes over {lines}" if plan.passes else lines
    text = (
        f"{lines}, {plan.pattern}, {len(plan.stretches)} scans at "
        f"{units.number(plan.speed, 0)} {units.speed_name}: {time}, "
        f"{units.travel_text(plan.distance)}, of which "
        f"{units.travel_text(plan.scan_distance)} scanning"
    )
    notes = []
    if plan.unsteady > 0:
        notes.append(
            f"{units.with_unit(units.number(plan.unsteady, 0))} are scanned while the speed still changes"
        )
    if plan.left_out:
        reasons = sorted({left.why for left in plan.left_out})
        notes.append(f"{len(plan.left_out)} runs of cells are left out: {'; '.join(reasons)}")
    return "\n".join([text, *notes])
