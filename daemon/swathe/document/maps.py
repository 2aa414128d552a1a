"""Maps of thickness and states to scale, cut into strips where the part is long."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Colormap, Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from swathe.arrays import Ints
from swathe.document.map_cells import MapCells
from swathe.document.model import DrawnPicture
from swathe.document.patterns import hatched, state_pixels
from swathe.document.sheet import (
    DOTS_PER_MM,
    SHEET_WIDTH,
    MapLayout,
    draw_scale_bar,
    map_layout,
    new_sheet,
    place_axes,
    sheet_png,
)
from swathe.evaluation import Evaluation, LowPlace
from swathe.messages import GapMessage
from swathe.pipeline import CellState
from swathe.report.axis_units import scale_axes
from swathe.report.plan_pieces import is_shown, pieces, zone_letters
from swathe.report.styles import state_name
from swathe.report.thickness_axis import colours_of, outline_thin, recorded_scale
from swathe.station import scale_ticks
from swathe.store import SurveyRecord

__all__ = ["square_map", "state_map", "thickness_map"]

# Edges of a sheet, and its foot with scale bar and legend, mm.
_LEFT, _TOP, _FOOT = 14.0, 3.0, 25.0
_STRIP_STEP = 11.0
# Pixels from line to line of a pattern over tones, which are to be seen through it.
_SPARSE = 24
# More numbers of gaps than this hide the map.
_MOST_NUMBERED = 60
# Width and height of a square on paper that hold its number, mm.
_ROOM = (9.0, 3.5)
_LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1 (sRGB, from memory)


@dataclass(frozen=True, slots=True)
class _Strip:
    """A part of a map on its sheet: axes with positions in mm, and size on paper, mm."""

    axes: Axes
    width: float
    height: float


def thickness_map(
    cells: MapCells, record: SurveyRecord, places: Mapping[str, LowPlace], *, caption: str
) -> DrawnPicture:
    """Return the map of thickness, with numbered low places.

    Args:
        cells: of the survey.
        record: of the survey.
        places: low places by the numbers that they have in their tables.
        caption: what the map shows; its scale is added.
    """
    scale, units = recorded_scale(record), record.display
    colours: Any = colours_of(scale)

    def paint(rows: Ints, columns: Ints) -> NDArray[np.uint8]:
        values = cells.thickness[np.ix_(rows, columns)]
        pixels = colours["cmap"](colours["norm"](np.ma.masked_invalid(values)), bytes=True)[..., :3]
        pixels = np.where(np.isnan(values)[..., None], np.uint8(255), pixels)
        state = cells.state[np.ix_(rows, columns)]
        _ink(pixels, np.isnan(values) & (state == CellState.EXCLUDED), CellState.EXCLUDED)
        _ink(pixels, cells.apart[np.ix_(rows, columns)], CellState.SUSPECT)
        return pixels

    figure, layout, strips, foot = _sheet(cells, record, paint)
    for strip in strips:
        outline_thin(strip.axes, cells.thickness, cells.extent, scale.alert_below)
        for number, place in places.items():
            _mark(strip.axes, place, number)
        _frame_zones(strip.axes, record)
    _bar(figure, foot, colours["cmap"], colours["norm"], record)
    draw_scale_bar(figure, 112.0, foot + 9.0, layout.denominator, units)
    entries: list[tuple[str, NDArray[np.uint8]]] = [
        ("not measured", np.full((1, 1, 3), 255, np.uint8))
    ]
    if (cells.state == CellState.EXCLUDED).any():
        swatch = np.full((24, 40, 3), 255, np.uint8)
        _ink(swatch, np.ones((24, 40), bool), CellState.EXCLUDED)
        entries.append(("excluded", swatch))
    if cells.apart.any():
        swatch = np.full((24, 40, 3), 128, np.uint8)
        _ink(swatch, np.ones((24, 40), bool), CellState.SUSPECT)
        entries.append(("suspect or to confirm: in no figure", swatch))
    _legend(figure, foot + 18.0, entries)
    return _picture(
        figure, layout, record, caption, "Map of the thickness over scan and index position"
    )


def square_map(found: Evaluation, record: SurveyRecord) -> DrawnPicture:
    """Return the map of the lowest thickness of each square, with the number where there is room."""
    scale, units = recorded_scale(record), record.display
    colours: Any = colours_of(scale)
    last, sides = found.squares[-1], found.square or (1.0, 1.0)
    shape = last.row + 1, last.column + 1
    lowest = np.full(shape, np.nan, np.float32)
    partly = np.zeros(shape, bool)
    for one in found.squares:
        if one.figures.minimum is not None:
            lowest[one.row, one.column] = one.figures.minimum.thickness
        partly[one.row, one.column] = one.figures.measured < one.figures.cells
    first = found.squares[0]
    origin = first.scan.low, first.index.low
    size = last.scan.high - origin[0], last.index.high - origin[1]
    state = np.full(shape, CellState.MEASURED, np.uint8)
    squares = MapCells(lowest, partly, state, origin, size, sides)

    def paint(rows: Ints, columns: Ints) -> NDArray[np.uint8]:
        values = lowest[np.ix_(rows, columns)]
        pixels = colours["cmap"](colours["norm"](np.ma.masked_invalid(values)), bytes=True)[..., :3]
        pixels = np.where(np.isnan(values)[..., None], np.uint8(255), pixels)
        _ink(pixels, partly[np.ix_(rows, columns)], CellState.SUSPECT)
        return pixels

    figure, layout, strips, foot = _sheet(squares, record, paint)
    box = {"boxstyle": "round,pad=0.12", "facecolor": "white", "edgecolor": "none"}
    numbered = False
    for strip in strips:
        for one in found.squares:
            low, top = one.scan.low, one.index.low
            width, height = one.scan.high - low, one.index.high - top
            strip.axes.add_patch(
                Rectangle((low, top), width, height, fill=False, edgecolor="black", linewidth=0.4)
            )
            middle = low + width / 2, top + height / 2
            roomy = (
                width >= _ROOM[0] * layout.denominator and height >= _ROOM[1] * layout.denominator
            )
            if roomy and one.figures.minimum is not None and _inside(strip.axes, *middle):
                numbered = True
                text = units.number(one.figures.minimum.thickness, 2, 3)
                strip.axes.annotate(text, middle, ha="center", va="center", fontsize=6.5, bbox=box)
    _bar(figure, foot, colours["cmap"], colours["norm"], record)
    draw_scale_bar(figure, 112.0, foot + 9.0, layout.denominator, units)
    entries = [("no cell counts", np.full((1, 1, 3), 255, np.uint8))]
    if partly.any():
        swatch = np.full((24, 40, 3), 128, np.uint8)
        _ink(swatch, np.ones((24, 40), bool), CellState.SUSPECT)
        entries.append(("not all required cells count", swatch))
    _legend(figure, foot + 18.0, entries)
    numbers = f" Numbers: that thickness in {units.length_words}." if numbered else ""
    caption = f"Lowest thickness of the cells that count in each square; dark is thin.{numbers}"
    return _picture(figure, layout, record, caption, "Map of the lowest thickness of each square")


def state_map(cells: MapCells, record: SurveyRecord, *, caption: str) -> DrawnPicture:
    """Return the map of states, with gaps framed and zones lettered."""

    def paint(rows: Ints, columns: Ints) -> NDArray[np.uint8]:
        return state_pixels(cells.state[np.ix_(rows, columns)])

    figure, layout, strips, foot = _sheet(cells, record, paint)
    shown = [gap for gap in record.open_gaps if is_shown(gap)]
    numbered = {gap.number for gap in sorted(shown, key=_cells_of)[-_MOST_NUMBERED:]}
    for strip in strips:
        for gap in shown:
            _frame_gap(strip.axes, record, gap, numbered=gap.number in numbered)
        _frame_zones(strip.axes, record)
    draw_scale_bar(figure, 112.0, foot + 3.0, layout.denominator, record.display)
    present = [value for value in CellState if (cells.state == value).any()]
    entries = [(state_name(value), state_pixels(np.full((24, 40), value))) for value in present]
    _legend(figure, foot + 11.0, entries)
    return _picture(
        figure, layout, record, caption, "Map of the states of all cells, with gaps and zones"
    )


def _cells_of(gap: GapMessage) -> int:
    return gap.cells


def _sheet(
    cells: MapCells, record: SurveyRecord, paint: Callable[[Ints, Ints], NDArray[np.uint8]]
) -> tuple[Figure, MapLayout, list[_Strip], float]:
    """Return a sheet with the strips of a map, and where its foot begins, mm from the top."""
    layout = map_layout(*cells.size)
    width, height = (side / layout.denominator for side in cells.size)
    length = layout.length / layout.denominator
    if layout.along_scan:
        paper = length, height
        places = [(_LEFT, _TOP + k * (height + _STRIP_STEP)) for k in range(layout.strips)]
    else:
        paper = width, length
        places = [(_LEFT + k * (width + _STRIP_STEP), _TOP) for k in range(layout.strips)]
    foot = places[-1][1] + paper[1] + 10.0
    figure = new_sheet(foot + _FOOT)
    strips = []
    for number, (left, top) in enumerate(places):
        axes = place_axes(figure, left, top, *paper)
        strip = _Strip(axes, *paper)
        _fill(strip, cells, layout, number, paint)
        scale_axes(axes, record.display)
        if number == layout.strips - 1 or not layout.along_scan:
            axes.set_xlabel(f"scan, {record.display.length_name}", fontsize=7, labelpad=1)
        if number == 0 or layout.along_scan:
            axes.set_ylabel(f"index, {record.display.length_name}", fontsize=7, labelpad=1)
        strips.append(strip)
    return figure, layout, strips, foot


def _fill(
    strip: _Strip,
    cells: MapCells,
    layout: MapLayout,
    number: int,
    paint: Callable[[Ints, Ints], NDArray[np.uint8]],
) -> None:
    """Draw the cells of a strip, a block of cells for each pixel of the picture."""
    (left, top), (width, height) = cells.origin, cells.size
    if layout.along_scan:
        left, width = left + number * layout.length, layout.length
    else:
        top, height = top + number * layout.length, layout.length
    shape = [max(1, round(side * DOTS_PER_MM)) for side in (strip.height, strip.width)]
    rows, columns = cells.state.shape
    row, column = (
        np.minimum(((begin - origin + side * (np.arange(n) + 0.5) / n) // block).astype(int), last)
        for n, begin, origin, side, block, last in (
            (shape[0], top, cells.origin[1], height, cells.block[1], rows - 1),
            (shape[1], left, cells.origin[0], width, cells.block[0], columns - 1),
        )
    )
    extent = (left, left + width, top + height, top)
    strip.axes.imshow(paint(row, column), extent=extent, interpolation="nearest", aspect="auto")
    strip.axes.set(xlim=extent[:2], ylim=extent[2:], autoscale_on=False)


def _ink(pixels: NDArray[np.uint8], where: NDArray[np.bool_], state: CellState) -> None:
    """Draw the pattern of a state over pixels, dark on light and light on dark ones."""
    if not where.any():
        return
    inked = where & hatched(state, (where.shape[0], where.shape[1]), period=_SPARSE)
    dark = pixels[inked] @ _LUMINANCE < 128
    pixels[inked] = np.where(dark[:, None], np.uint8(255), np.uint8(38))


def _mark(axes: Axes, place: LowPlace, text: str) -> None:
    axes.plot(place.scan, place.index, "o", color="black", markerfacecolor="white", markersize=3)
    if _inside(axes, place.scan, place.index):
        axes.annotate(
            text, (place.scan, place.index), xytext=(2.5, 2.5), textcoords="offset points",
            fontsize=7, fontweight="bold", path_effects=[withStroke(linewidth=2, foreground="white")],
        )  # fmt: skip


def _inside(axes: Axes, scan: float, index: float) -> bool:
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    return left <= scan <= right and min(bottom, top) <= index <= max(bottom, top)


def _frame_gap(axes: Axes, record: SurveyRecord, gap: GapMessage, *, numbered: bool) -> None:
    for number, (scan, index) in enumerate(pieces(record, gap.scan, gap.index)):
        axes.add_patch(
            Rectangle(
                (scan.low, index.low), scan.high - scan.low, index.high - index.low,
                fill=False, edgecolor="black", linewidth=1.1,
                path_effects=[withStroke(linewidth=2.2, foreground="white")],
            )
        )  # fmt: skip
        if numbered and not number and _inside(axes, scan.low, index.low):
            axes.annotate(
                str(gap.number), (scan.low, index.low), xytext=(0, 2), textcoords="offset points",
                fontsize=7, fontweight="bold",
                path_effects=[withStroke(linewidth=2, foreground="white")],
            )  # fmt: skip


def _frame_zones(axes: Axes, record: SurveyRecord) -> None:
    """Frame and letter the excluded zones, as the table of zones has them."""
    zones = () if record.plan is None else record.plan.excluded
    for letter, zone in zip(zone_letters(), zones, strict=False):
        for scan, index in pieces(record, zone.scan, zone.index):
            corner = (scan.low, index.low)
            sides = scan.high - scan.low, index.high - index.low
            axes.add_patch(Rectangle(corner, *sides, fill=False, edgecolor="black", linewidth=0.9))
            middle = (scan.low + scan.high) / 2, (index.low + index.high) / 2
            if _inside(axes, *middle):
                axes.annotate(
                    letter, middle, ha="center", va="center", fontsize=7,
                    bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
                )  # fmt: skip


def _bar(
    figure: Figure, foot: float, cmap: Colormap, norm: Normalize, record: SurveyRecord
) -> None:
    """Draw the bar of the thickness, with boxes for what is beyond its ends."""
    scale, units = recorded_scale(record), record.display
    left, width = 22.0, 70.0
    axes = place_axes(figure, left, foot + 6.0, width, 3.2)
    ramp = np.linspace(scale.low, scale.high, 560)[None]
    axes.imshow(
        cmap(norm(ramp)),
        extent=(scale.low, scale.high, 0, 1),
        aspect="auto",
        interpolation="nearest",
    )
    ticks = scale_ticks(scale, units)
    axes.set_xticks(ticks, [f"{round(units.length(tick), 4):g}" for tick in ticks])
    axes.set_yticks([])
    axes.annotate(
        f"thickness, {units.length_name}", (0, 1), xycoords="axes fraction", xytext=(0, 10),
        textcoords="offset points", fontsize=7,
    )  # fmt: skip
    for level, line, name in (
        (scale.nominal, "--", "nominal"),
        (scale.alert_below, ":", "alert level"),
    ):
        if level is not None and scale.low < level < scale.high:
            axes.plot(
                (level, level), (0, 1), line, color="white", linewidth=1.4, clip_on=False,
                path_effects=[withStroke(linewidth=2.6, foreground="black")],
            )  # fmt: skip
            axes.annotate(
                name, (level, 1), xytext=(0, 1.5), textcoords="offset points", fontsize=6.5,
                ha="center",
            )  # fmt: skip
    for at, colour, words in (
        (left - 7.0, cmap.get_under(), "thinner"),
        (left + width + 1.0, cmap.get_over(), "thicker"),
    ):
        box = place_axes(figure, at, foot + 6.0, 6.0, 3.2)
        box.set(xticks=[], yticks=[], facecolor=tuple(map(float, colour)))
        box.annotate(
            words, (0.5, 1), xycoords="axes fraction", xytext=(0, 1.5), textcoords="offset points",
            fontsize=6.5, ha="center",
        )  # fmt: skip


def _legend(figure: Figure, top: float, entries: Sequence[tuple[str, NDArray[np.uint8]]]) -> None:
    """Draw swatches with their names in rows of four."""
    for (left, down), (name, swatch) in zip(_cells(top), entries, strict=False):
        axes = place_axes(figure, left, down, 5.0, 3.0)
        axes.imshow(swatch, aspect="auto", interpolation="nearest")
        axes.set(xticks=[], yticks=[])
        axes.annotate(
            name, (1, 0.5), xycoords="axes fraction", xytext=(3, 0), textcoords="offset points",
            va="center", fontsize=7,
        )  # fmt: skip


def _cells(top: float) -> Iterator[tuple[float, float]]:
    number = 0
    while True:
        yield _LEFT + 36.0 * (number % 4), top + 5.0 * (number // 4)
        number += 1


def _picture(
    figure: Figure, layout: MapLayout, record: SurveyRecord, caption: str, alternative: str
) -> DrawnPicture:
    scale = f"Scale {layout.text} on paper, printed at 100 %; the bar holds at any size."
    strips = ""
    if layout.strips > 1:
        axis, order = (
            ("scan", "from top to bottom") if layout.along_scan else ("index", "from left to right")
        )
        strips = f" Cut into {layout.strips} strips along the {axis} axis, {order}."
    if record.plan is not None and record.plan.index_turn is not None:
        strips += " Upper and lower edge are the same line of the part, the seam."
    if record.plan is not None and record.plan.scan_turn is not None:
        strips += (
            " The begin and the end of the scan axis are the same place of the part, the seam."
        )
    height = float(figure.get_size_inches()[1]) * 25.4
    return DrawnPicture(
        sheet_png(figure), SHEET_WIDTH, height, f"{caption} {scale}{strips}", alternative
    )
