"""The map of thickness as a plain picture, to scale."""

from __future__ import annotations

import math
from pathlib import Path
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from swathe.errors import SwatheError
from swathe.evaluation.cells import CellSource
from swathe.export.source import ExportSource
from swathe.pipeline import CellState
from swathe.report.axis_units import scale_axes
from swathe.report.picture import hatch_cells
from swathe.report.styles import STATE_STYLES, state_name
from swathe.report.thickness_axis import colours_of, draw_bar, outline_thin, recorded_scale
from swathe.report.thin_layers import thin_layers
from swathe.station import Axis

__all__ = ["write_picture"]

_DPI = 200
_MM_PER_INCH = 25.4
# Longest side of the map on paper, mm; and the most cells a side, as many as it has dots.
_LONGEST = 240.0
_MOST_CELLS = 2000
# Space around the map for axes, bar and texts, in inches: left, right, bottom, top.
_AROUND = (1.0, 2.1, 1.5, 0.7)
_NARROWEST = 5.0
_SHORTEST_BAR, _TO_BAR, _BAR_WIDTH = 1.2, 1.1, 0.15
_CHARACTERS_PER_INCH = 16
# Scales of drawings (ISO 5455, from memory), and their decimal multiples.
_RATIOS = (1, 2, 5)
_HATCHED = (CellState.EXCLUDED, CellState.SUSPECT)


def write_picture(source: ExportSource, path: Path) -> None:
    """Draw the thickness of each cell at the printed scale, with a bar of a round length.

    Where a picture has fewer dots than cells, a dot is the lowest of its cells.

    Args:
        source: the survey.
        path: a file that is there, and is written over.

    Raises:
        SurveyError: what is read is not what was written.
        SwatheError: the survey has one line only, or spots: there is no map.
    """
    cells = CellSource.of(source.arrays)
    if source.record.spots or cells.index.cells == 1:
        message = (
            f"{source.folder.path}: has no map: it is one line, or spots; "
            f"{source.folder.picture.name} in its folder shows it"
        )
        raise SwatheError(message)
    thickness, state = _thinned(source, cells)
    left, right = _borders(cells.scan)
    top, bottom = _borders(cells.index)
    ratio = _ratio(max(right - left, bottom - top) / _LONGEST)
    figure, axes, rest = _page((right - left) / ratio, (bottom - top) / ratio)
    units, scale, extent = source.units, recorded_scale(source.record), (left, right, bottom, top)
    image = axes.imshow(
        np.ma.masked_invalid(thickness),
        extent=extent,
        interpolation="nearest",
        aspect="auto",  # the axes have the proportions already
        **colours_of(scale),
    )
    handles = [Patch(facecolor="white", edgecolor="#333333", label="no reading")]
    for one in _HATCHED:
        if (state == one).any():
            hatch = STATE_STYLES[one][1]
            hatch_cells(axes, state == one, hatch, extent)
            label = state_name(one)
            handles.append(Patch(facecolor="white", hatch=hatch, edgecolor="#333333", label=label))
    outline_thin(axes, thickness, extent, scale.alert_below)
    scale_axes(axes, units)
    axes.set(xlabel=f"scan, {units.length_name}", ylabel=f"index, {units.length_name}")
    place = axes.get_position()
    bar = draw_bar(figure, image, (axes,), scale, units, location="right")
    axes.set_position(place)
    bar.set_position(rest)
    about = source.about()
    figure.suptitle(
        fill(about.get("part", source.record.station), _characters(figure)), fontsize=11
    )
    _write_below(figure, axes, handles, ratio, source)
    figure.savefig(path, format="png", dpi=_DPI)


def _thinned(
    source: ExportSource, cells: CellSource
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Return thickness, mm, and state of blocks of cells."""
    rows, columns = cells.shape
    step = (max(1, -(-rows // _MOST_CELLS)), max(1, -(-columns // _MOST_CELLS)))
    return thin_layers(source.folder, source.arrays, step)


def _borders(axis: Axis) -> tuple[float, float]:
    """Return the outer borders of an axis's cells, mm."""
    half = axis.resolution / 2
    return axis.start - half, axis.start + (axis.cells - 1) * axis.resolution + half


def _ratio(least: float) -> float:
    """Return the next scale of drawings, in mm of the part to a mm of paper."""
    decade = 10.0 ** math.floor(math.log10(least))
    return next(ratio * decade for ratio in (*_RATIOS, 10) if ratio * decade >= least * (1 - 1e-9))


def _page(width: float, height: float) -> tuple[Figure, Axes, tuple[float, float, float, float]]:
    """Return a page with axes of a size in mm, and where the bar of colours is."""
    width, height = width / _MM_PER_INCH, height / _MM_PER_INCH
    left, right, bottom, top = _AROUND
    whole = max(width + left + right, _NARROWEST), height + bottom + top
    figure = Figure(figsize=whole)
    FigureCanvasAgg(figure)
    axes = figure.add_axes(
        (left / whole[0], bottom / whole[1], width / whole[0], height / whole[1])
    )
    upright = max(height, _SHORTEST_BAR)
    bar = (
        (left + width + _TO_BAR) / whole[0],
        (bottom + (height - upright) / 2) / whole[1],
        _BAR_WIDTH / whole[0],
        upright / whole[1],
    )
    return figure, axes, bar


def _characters(figure: Figure) -> int:
    return int(figure.get_figwidth() * _CHARACTERS_PER_INCH)


def _write_below(
    figure: Figure, axes: Axes, handles: list[Patch], ratio: float, source: ExportSource
) -> None:
    """Draw the bar of a round length, and write scale, coverage, minimum and caution."""
    units, about = source.units, source.about()
    place = axes.get_position()
    span = axes.get_xlim()[1] - axes.get_xlim()[0]
    length = _ratio(units.length(span) / 6)  # a round one
    share = length * units.mm_per_unit / span * place.width
    y = 0.75 / figure.get_figheight()
    figure.add_artist(
        Line2D(
            [place.x0, place.x0 + share], [y, y], color="black", linewidth=3, solid_capstyle="butt"
        )
    )
    name = f"1:{ratio:g}" if ratio >= 1 else f"{1 / ratio:g}:1"
    figure.text(
        place.x0, y + 0.06 / figure.get_figheight(), f"{length:g} {units.length_name}", fontsize=8
    )
    figure.legend(
        handles=handles, loc="lower right", ncols=len(handles), fontsize=8, frameon=False,
        bbox_to_anchor=(0.99, (0.62 / figure.get_figheight())),
    )  # fmt: skip
    texts = [f"scale {name} at {_DPI} dots per inch"]
    texts += [about["coverage"], f"minimum {about['minimum']}", about["caution"]]
    lines = fill("; ".join(texts), _characters(figure))
    figure.text(place.x0, 0.6 / figure.get_figheight(), lines, fontsize=7, va="top")
    if source.unverified:
        words = fill(f"NOT VERIFIED: {source.unverified}", _characters(figure))
        figure.text(0.5, 0.9, words, ha="center", va="bottom", fontsize=8, fontweight="bold")
