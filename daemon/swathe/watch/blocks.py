"""A map in characters, drawn from what line and gap messages tell; states are told by shape."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from swathe.messages import Extent, PlanMessage
from swathe.pipeline import CellState, GapCause, GapSnapshot
from swathe.report.blockmap import SHAPES
from swathe.watch.stations import StationView

__all__ = ["BlockMap"]

Ranks = NDArray[np.uint8]

# From the least to the most urgent: a block shows the most urgent of what lies in it.
_MEASURED, _TO_COME, _EXCLUDED, _MISSING, _SUSPECT, _TOO_FAST, _NO_SIGNAL = range(7)
_LOOKS = (
    ("measured", SHAPES[CellState.MEASURED]),
    ("to come", SHAPES[CellState.UNVISITED]),
    ("excluded", SHAPES[CellState.EXCLUDED]),
    ("not visited", ("×", "bold yellow")),
    ("check failed", SHAPES[CellState.SUSPECT]),
    ("too fast", SHAPES[CellState.SKIPPED]),
    ("no signal", SHAPES[CellState.NO_SIGNAL]),
)
_PROBE = ("◆", "bold cyan")
_RANK = {
    GapCause.NOT_VISITED: _MISSING,
    GapCause.SUSPECT: _SUSPECT,
    GapCause.TOO_FAST: _TOO_FAST,
    GapCause.NO_SIGNAL: _NO_SIGNAL,
}


class BlockMap:
    """Draws one station's map, and remembers the lines that it has drawn."""

    def __init__(self) -> None:
        self._drawn: dict[int, tuple[object, int, Ranks]] = {}

    def draw(self, view: StationView, *, width: int, height: int) -> Text:
        """Return the map in at most `width` × `height` characters, and its legend.

        Args:
            view: the station.
            width: characters along the scan axis.
            height: lines, without the legend's.
        """
        plan = None if view.state is None else view.state.plan
        if plan is None:
            return Text("the station has not told its plan yet\n", style="dim")
        columns = max(1, min(width, round(_size(plan.scan) / plan.scan_resolution)))
        lines = self._lines(view, plan, columns)
        self._mark_gaps(view.open_gaps(), plan, lines)
        _mark_excluded(plan, lines)
        edges = np.linspace(0, plan.lines, min(plan.lines, max(height, 1)) + 1).astype(int)
        blocks = np.maximum.reduceat(lines, edges[:-1], axis=0)
        return _text(blocks, _probe_block(view, plan, edges, columns))

    def _lines(self, view: StationView, plan: PlanMessage, columns: int) -> Ranks:
        """Return each line's blocks as its own message tells them."""
        ranks = np.full((plan.lines, columns), _TO_COME, np.uint8)
        for number, message in view.lines.items():
            if not 0 <= number < plan.lines:
                continue
            drawn = self._drawn.get(number)
            if drawn is None or drawn[0] is not message or drawn[1] != columns:
                row = np.full(columns, _MEASURED, np.uint8)
                for stretch in message.missing:
                    row[_columns(plan, (stretch.low, stretch.high), columns)] = _MISSING
                drawn = self._drawn[number] = message, columns, row
            ranks[number] = drawn[2]
        return ranks

    def _mark_gaps(self, gaps: Sequence[GapSnapshot], plan: PlanMessage, lines: Ranks) -> None:
        for gap in gaps:
            rows = _rows(plan, gap.index)
            block = lines[rows, _columns(plan, gap.scan, lines.shape[1])]
            # The borders of a gap that is no rectangle hold more than its cells: what its lines
            # tell as measured stays so.
            across = gap.index[1] - gap.index[0]
            whole = gap.area >= 0.99 * (gap.scan[1] - gap.scan[0]) * across
            where = np.ones(block.shape, bool) if whole else block != _MEASURED
            np.maximum(block, _RANK[gap.cause], out=block, where=where)


def _size(extent: Extent) -> float:
    return extent.high - extent.low


def _rows(plan: PlanMessage, extent: tuple[float, float]) -> slice:
    first = round((extent[0] - plan.index.low) / plan.index_resolution)
    last = round((extent[1] - plan.index.low) / plan.index_resolution)
    return slice(max(first, 0), max(last, 0))


def _columns(plan: PlanMessage, extent: tuple[float, float], columns: int) -> slice:
    """Return the blocks that an extent touches; a part past the seam is not drawn."""
    per_mm = columns / _size(plan.scan)
    first = math.floor((extent[0] - plan.scan.low) * per_mm + 1e-6)
    last = math.ceil((extent[1] - plan.scan.low) * per_mm - 1e-6)
    return slice(max(first, 0), max(last, 0))


def _mark_excluded(plan: PlanMessage, lines: Ranks) -> None:
    """Leave blank the blocks whose middle lies in a zone that is not asked for."""
    columns = lines.shape[1]
    scan = plan.scan.low + (np.arange(columns) + 0.5) * _size(plan.scan) / columns
    index = plan.index.low + (np.arange(plan.lines) + 0.5) * plan.index_resolution
    for zone in plan.excluded:
        inside = np.ones(lines.shape, bool)
        if zone.scan is not None:
            inside &= (scan >= zone.scan.low) & (scan <= zone.scan.high)
        if zone.index is not None:
            inside &= ((index >= zone.index.low) & (index <= zone.index.high))[:, None]
        lines[inside] = _EXCLUDED


def _probe_block(
    view: StationView, plan: PlanMessage, edges: NDArray[np.int64], columns: int
) -> tuple[int, int] | None:
    at = view.progress
    if at is None or at.scan is None or (at.index is None and not plan.profile):
        return None
    column = math.floor((at.scan - plan.scan.low) / _size(plan.scan) * columns)
    across = plan.index.low if plan.profile else at.index or 0.0
    line = math.floor((across - plan.index.low) / plan.index_resolution)
    if not (0 <= column < columns and 0 <= line < plan.lines):
        return None
    return int(np.searchsorted(edges, line, side="right")) - 1, column


def _text(blocks: Ranks, probe: tuple[int, int] | None) -> Text:
    text = Text(no_wrap=True)
    for row, line in enumerate(blocks.tolist()):
        for column, rank in enumerate(line):
            text.append(*(_PROBE if (row, column) == probe else _LOOKS[rank][1]))
        text.append("\n")
    there = {rank for rank in np.unique(blocks).tolist() if rank != _EXCLUDED}
    legend = [f"{shape} {name}" for k, (name, (shape, _)) in enumerate(_LOOKS) if k in there]
    text.append("  ".join([*legend, *([f"{_PROBE[0]} probe"] if probe else [])]), style="dim")
    return text
