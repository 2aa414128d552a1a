"""Paper: scales, strips of a long part, scale bars, and pictures of an exact size."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from swathe.display_units import DisplayUnits

__all__ = [
    "DOTS_PER_MM",
    "SHEET_WIDTH",
    "MapLayout",
    "draw_scale_bar",
    "map_layout",
    "new_sheet",
    "place_axes",
    "sheet_png",
]

SHEET_WIDTH = 170.0
"""Width of a picture on paper, mm: it fits between the margins of A4 and of US letter."""

DOTS_PER_MM = 8
"""Of a picture, 203 dots an inch."""

_MM_PER_INCH = 25.4
# Room for a map, mm: the width less labels of an axis; the height less legend and caption, on letter.
_MAP_WIDTH, _MAP_HEIGHT = 152.0, 165.0
# Between two strips of one map: labels of an axis.
_STRIP_GAP = 11.0
_MOST_STRIPS = 6
# Steps of scales, and decades of them: finer than ISO 5455 has them, so that a map fills its page.
# (Our choice, no source.)
_STEPS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_BAR_STEPS = (1.0, 2.0, 5.0)
# Strips are drawn where they make the map larger by this.
_WORTH = 1.9


@dataclass(frozen=True, slots=True)
class MapLayout:
    """How a map is put on a page.

    Attributes:
        denominator: millimetres of the part on a millimetre of paper.
        strips: parts that a long map is cut into.
        along_scan: whether it is cut along the scan axis, and strips are one below the other; else
            they are side by side.
        length: of a strip along that axis, mm of the part.
    """

    denominator: float
    strips: int
    along_scan: bool
    length: float

    @property
    def text(self) -> str:
        """The scale in words, such as ``1:10`` or ``2:1``."""
        if self.denominator >= 1:
            return f"1:{self.denominator:,g}"
        return f"{1 / self.denominator:,g}:1"


def map_layout(width: float, height: float) -> MapLayout:
    """Return the layout of a map; the longer axis may be cut into strips.

    Args:
        width: of the part along the scan axis, mm.
        height: along the index axis, mm.
    """
    along_scan = width >= height
    long, short = (width, height) if along_scan else (height, width)
    room_long, room_short = (_MAP_WIDTH, _MAP_HEIGHT) if along_scan else (_MAP_HEIGHT, _MAP_WIDTH)
    best = MapLayout(_denominator(max(long / room_long, short / room_short)), 1, along_scan, long)
    for strips in range(2, _MOST_STRIPS + 1):
        room = (room_short - (strips - 1) * _STRIP_GAP) / strips
        found = _denominator(max(long / strips / room_long, short / room))
        if found * _WORTH <= best.denominator:
            best = MapLayout(found, strips, along_scan, long / strips)
    return best


def _denominator(needed: float) -> float:
    """Return the next scale of the series at which a part fits: reduced, or enlarged where it is small."""
    if needed < 1:
        ratio = 1 / needed * (1 + 1e-9)
        decade = 10.0 ** math.floor(math.log10(ratio))
        return 1 / max(step * decade for step in _STEPS if step * decade <= ratio)
    decade = 10.0 ** math.floor(math.log10(needed))
    steps = (*_STEPS, 10.0)
    return min(step * decade for step in steps if step * decade >= needed * (1 - 1e-9))


def new_sheet(height: float, width: float = SHEET_WIDTH) -> Figure:
    """Return an empty picture of a size in mm."""
    figure = Figure(figsize=(width / _MM_PER_INCH, height / _MM_PER_INCH))
    FigureCanvasAgg(figure)
    return figure


def place_axes(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Return axes at a place of a picture, in mm from its left upper corner."""
    whole, high = (side * _MM_PER_INCH for side in figure.get_size_inches())
    axes: Axes = figure.add_axes(
        (left / whole, 1 - (top + height) / high, width / whole, height / high)
    )
    axes.tick_params(labelsize=7, length=2, pad=1.5)
    return axes


def draw_scale_bar(
    figure: Figure, left: float, top: float, denominator: float, units: DisplayUnits
) -> None:
    """Draw a bar of a round length in the unit shown, half black, half white."""
    unit = units.mm_per_unit
    wanted = 40.0 * denominator / unit
    decade = 10.0 ** math.floor(math.log10(wanted))
    length = max(step * decade for step in _BAR_STEPS if step * decade <= wanted * (1 + 1e-9))
    paper = length * unit / denominator
    axes = place_axes(figure, left, top, paper, 1.6)
    axes.set(xlim=(0, 1), ylim=(0, 1), yticks=[])
    axes.add_patch(Rectangle((0, 0), 0.5, 1, facecolor="black", edgecolor="black"))
    axes.set_xticks([0, 0.5, 1], ["0", f"{length / 2:g}", f"{length:g} {units.length_name}"])


def sheet_png(figure: Figure) -> bytes:
    """Return a picture as PNG, of exactly its size."""
    stream = io.BytesIO()
    figure.savefig(stream, dpi=DOTS_PER_MM * _MM_PER_INCH, format="png")
    return stream.getvalue()
