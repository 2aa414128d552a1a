"""The scale of thickness in drawings: its colours, its bar, its axis, and what is beyond it.

Every axis of thickness rises from thin to thick, upwards or to the right, as on the page.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Colormap, Normalize
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FixedFormatter, FixedLocator
from numpy.typing import NDArray

from swathe.display_units import DisplayUnits
from swathe.station import ThicknessScale, scale_by_levels, scale_ticks
from swathe.store import SurveyRecord

__all__ = [
    "beyond_text",
    "colours_of",
    "draw_bar",
    "draw_scale",
    "mark_beyond",
    "outline_thin",
    "recorded_scale",
]

# Past either end of viridis.
_UNDER, _OVER = "#12001c", "#fff7c2"
# Of nominal thickness and alert level, by line as well as by colour.
_NOMINAL_LINE, _ALERT_LINE = "--", ":"
_NOMINAL_COLOUR, _ALERT_COLOUR = "#333333", "#c1121f"


def recorded_scale(record: SurveyRecord) -> ThicknessScale:
    """Return the scale of a survey; one without levels where an older record has none."""
    if record.scale is None:
        return scale_by_levels(None, None, record.display)
    scale = record.scale
    return ThicknessScale(scale.low, scale.high, scale.nominal, scale.alert_below)


def colours_of(scale: ThicknessScale) -> dict[str, Any]:
    """Return colour map and norm of a scale, for values in mm, as arguments of ``imshow``."""
    colours: Colormap = colormaps["viridis"].with_extremes(under=_UNDER, over=_OVER)
    return {"cmap": colours, "norm": Normalize(scale.low, scale.high)}


def draw_bar(
    figure: Figure,
    image: ScalarMappable,
    axes: tuple[Axes, ...],
    scale: ThicknessScale,
    units: DisplayUnits,
    *,
    location: Literal["right", "bottom"],
) -> Axes:
    """Draw the bar of a scale next to the first of some axes, which all keep one size.

    Its ends are arrows: what is beyond has a colour of its own.
    """
    upright = location == "right"
    bar = figure.colorbar(
        image,
        ax=axes,
        location=location,
        extend="both",
        shrink=0.48,
        anchor=(0.0, 1.0) if upright else (0.0, 0.5),
        aspect=14 if upright else 25,
        label=f"thickness, {units.length_name}",
    )
    ticks = scale_ticks(scale, units)
    bar.set_ticks(ticks, labels=[_figure(tick, units) for tick in ticks])
    bar.minorticks_off()
    for level, line, colour, name in _levels(scale):
        bar.ax.plot(
            *(((0, 1), (level, level)) if upright else ((level, level), (0, 1))),
            linestyle=line,
            color="white",
            linewidth=1.6,
            path_effects=[withStroke(linewidth=3.2, foreground=colour)],
        )
        text = f"{name} {_figure(level, units)} "
        bar.ax.annotate(
            text,
            (0, level) if upright else (level, 1),
            xytext=(-3, 0) if upright else (0, 3),
            textcoords="offset points",
            ha="right" if upright else "center",
            va="center" if upright else "bottom",
            color=colour,
            fontsize=8,
        )
    return bar.ax


def draw_scale(axes: Axes, scale: ThicknessScale, units: DisplayUnits) -> None:
    """Give the vertical axis, in mm, the ends and ticks of a scale; draw its levels."""
    margin = (scale.high - scale.low) * 0.02
    axes.set_ylim(scale.low - margin, scale.high + margin)
    ticks = scale_ticks(scale, units)
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_major_formatter(FixedFormatter([_figure(tick, units) for tick in ticks]))
    axes.set_ylabel(f"thickness, {units.length_name}")
    for level, line, colour, name in _levels(scale):
        label = f"{name} {units.stated_thickness_text(level)}"
        axes.axhline(level, linestyle=line, color=colour, linewidth=1.2, label=label)


def mark_beyond(
    axes: Axes, x: NDArray[Any], values: NDArray[Any], scale: ThicknessScale, units: DisplayUnits
) -> None:
    """Mark values, mm, that are beyond the scale by arrows at its ends."""
    for beyond, end, marker, word in (
        (values < scale.low, scale.low, "v", "thinner"),
        (values > scale.high, scale.high, "^", "thicker"),
    ):
        if beyond.any():
            label = f"{word} than {units.stated_thickness_text(end)}"
            where = x[beyond]
            axes.plot(
                where, np.full(where.size, end), marker, color="black", markersize=6, label=label
            )


def outline_thin(
    axes: Axes, thickness: NDArray[Any], extent: tuple[float, ...], level: float | None
) -> None:
    """Draw the border of what is thinner than a level around its cells.

    Args:
        axes: on which the cells are drawn.
        thickness: mm, shape (rows, columns), NaN where there is none.
        extent: left, right, bottom and top of all cells, as of ``imshow``.
        level: mm; nothing is drawn without one.
    """
    if level is None:
        return
    rows, columns = thickness.shape
    x = np.linspace(extent[0], extent[1], columns + 1)
    y = np.linspace(extent[3], extent[2], rows + 1)
    thin = np.pad(thickness < level, 1)
    row, column = np.nonzero(thin[1:-1, 1:] != thin[1:-1, :-1])
    upright = np.stack((x[column], y[row], x[column], y[row + 1]), axis=1)
    row, column = np.nonzero(thin[1:, 1:-1] != thin[:-1, 1:-1])
    level_lines = np.stack((x[column], y[row], x[column + 1], y[row]), axis=1)
    pieces = np.concatenate((upright, level_lines)).reshape(-1, 2, 2)
    if pieces.size:
        border = LineCollection(
            list(pieces), colors="white", linewidths=1.2, capstyle="projecting",
            path_effects=[withStroke(linewidth=2.6, foreground="black")],
        )  # fmt: skip
        axes.add_collection(border)


def beyond_text(thickness: NDArray[Any], scale: ThicknessScale, units: DisplayUnits) -> str:
    """Return what of a picture is beyond its scale and below the alert level; empty if nothing is."""
    texts = []
    if scale.alert_below is not None and (count := int((thickness < scale.alert_below).sum())):
        texts.append(f"{count:,} below the alert level, outlined")
    for count, word, end in (
        (int((thickness < scale.low).sum()), "thinner", scale.low),
        (int((thickness > scale.high).sum()), "thicker", scale.high),
    ):
        if count:
            texts.append(f"{count:,} {word} than {units.stated_thickness_text(end)}")
    return f"cells: {'; '.join(texts)}" if texts else ""


def _levels(scale: ThicknessScale) -> list[tuple[float, str, str, str]]:
    """Return level, line, colour and name of what is stated, within the scale."""
    found = [
        (scale.nominal, _NOMINAL_LINE, _NOMINAL_COLOUR, "nominal"),
        (scale.alert_below, _ALERT_LINE, _ALERT_COLOUR, "alert level"),
    ]
    return [
        (level, line, colour, name)
        for level, line, colour, name in found
        if level is not None and scale.low <= level <= scale.high
    ]


def _figure(mm: float, units: DisplayUnits) -> str:
    """Return a thickness of the scale as a number, without trailing zeros."""
    return f"{round(units.length(mm), 4):g}"
