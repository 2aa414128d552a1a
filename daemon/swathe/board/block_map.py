"""The map of a station in characters; the shape of a character shows the state of its cells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len
from rich.text import Text

from swathe.arrays import Bools, Ints
from swathe.board.map_axes import index_labels, scan_axis
from swathe.board.stations import StationView
from swathe.messages import Extent, LineMessage, PlanMessage
from swathe.pipeline import CellState, GapCause, GapSnapshot, Grid

__all__ = ["BlockMap", "blocks_of_grid", "blocks_of_touched"]

Blocks = NDArray[np.uint8]
"""A `MapBlock` for each line and column of characters, shape (lines, columns)."""


class MapBlock(IntEnum):
    """What a character shows, from the lowest to the most urgent: a block shows the most urgent."""

    MEASURED = 0
    TO_SCAN = 1
    UNDER_WAY = 2
    EXCLUDED = 3
    UNVISITED = 4
    SUSPECT = 5
    UNCERTAIN = 6
    TOO_FAST = 7
    NO_SIGNAL = 8


_SHAPES = {
    MapBlock.MEASURED: ("▪", "green", "measured"),
    MapBlock.TO_SCAN: ("·", "dim", "to scan"),
    MapBlock.UNDER_WAY: ("▫", "", "line under way"),
    MapBlock.EXCLUDED: (" ", "", "excluded"),
    MapBlock.UNVISITED: ("×", "bold yellow", str(GapCause.UNVISITED)),
    MapBlock.SUSPECT: ("?", "magenta", "suspect"),
    MapBlock.UNCERTAIN: ("~", "bold blue", str(GapCause.UNCERTAIN)),
    MapBlock.TOO_FAST: ("/", "bold yellow", str(GapCause.TOO_FAST)),
    MapBlock.NO_SIGNAL: ("○", "bold red", str(GapCause.NO_SIGNAL)),
}
# A larger grid is drawn from what was touched of it.
_MOST_CELLS = 4_000_000
# On a terminal with space for it.
_MOST_ROWS_OF_LINE = 3
_PROBE = ("◆", "bold cyan")
_BLOCK_OF_CAUSE = {
    GapCause.UNVISITED: MapBlock.UNVISITED,
    GapCause.SUSPECT: MapBlock.SUSPECT,
    GapCause.SLIPPED: MapBlock.SUSPECT,
    GapCause.UNCERTAIN: MapBlock.UNCERTAIN,
    GapCause.UNPLACED: MapBlock.UNCERTAIN,
    GapCause.UNREAD: MapBlock.UNCERTAIN,
    GapCause.TOO_FAST: MapBlock.TOO_FAST,
    GapCause.NO_SIGNAL: MapBlock.NO_SIGNAL,
}
_BLOCK_OF_STATE = np.zeros(len(CellState), np.uint8)
for _state, _block in (
    (CellState.UNVISITED, MapBlock.TO_SCAN),
    (CellState.EXCLUDED, MapBlock.EXCLUDED),
    (CellState.SUSPECT, MapBlock.SUSPECT),
    (CellState.UNCERTAIN, MapBlock.UNCERTAIN),
    (CellState.SKIPPED, MapBlock.TOO_FAST),
    (CellState.NO_SIGNAL, MapBlock.NO_SIGNAL),
):
    _BLOCK_OF_STATE[_state] = _block


def blocks_of_grid(grid: Grid, columns: int) -> Blocks:
    """Return the blocks of a grid, a line each; exact, but for what was left behind unvisited.

    Args:
        grid: the cells.
        columns: characters along the scan axis, at most as many as cells.
    """
    edges = np.linspace(0, grid.shape[1], columns + 1).astype(int)
    blocks = _BLOCK_OF_STATE[grid.state.reshape(grid.shape)]
    return np.asarray(np.maximum.reduceat(blocks, edges[:-1], axis=1), np.uint8)


def blocks_of_touched(grid: Grid, edges: Ints, columns: int) -> tuple[Blocks, Bools]:
    """Return the blocks of a large grid, and in which of them some cell is to scan.

    Only touched cells are looked at. Shape (lines, columns) each.

    Args:
        grid: the cells.
        edges: first row of each line, and the number of rows.
        columns: characters along the scan axis, at most as many as cells.
    """
    across = np.linspace(0, grid.shape[1], columns + 1).astype(int)
    line, column = (np.repeat(np.arange(at.size - 1), np.diff(at)) for at in (edges, across))
    shape = edges.size - 1, columns
    blocks, left = np.zeros(shape, np.uint8), np.outer(np.diff(edges), np.diff(across))
    to_scan = np.zeros(shape, bool)
    for cells in grid.touched.cells():
        row, at = np.divmod(cells, grid.shape[1])
        place, state = line[row] * columns + column[at], grid.state[cells]
        np.maximum.at(blocks.reshape(-1), place, _BLOCK_OF_STATE[state])
        left -= np.bincount(place, minlength=left.size).reshape(shape)
        to_scan.reshape(-1)[place[state == CellState.UNVISITED]] = True
    to_scan |= left > 0  # what is not touched was never visited
    np.maximum(blocks, np.uint8(MapBlock.TO_SCAN), out=blocks, where=to_scan)
    return blocks, to_scan


class BlockMap:
    """Draws one station's map, from a grid or from its messages alone."""

    def __init__(self) -> None:
        self._drawn: dict[int, tuple[LineMessage, int, Blocks]] = {}

    def draw(
        self,
        view: StationView,
        *,
        width: int,
        height: int,
        grid: Grid | None = None,
        axes: bool = False,
    ) -> Text:
        """Return the map in at most `width` × `height` characters, and its legend.

        Args:
            view: the station.
            width: characters along the scan axis.
            height: lines, without those of axis and legend; with axes a line of the plan may have
                up to three of them.
            grid: the cells, where they are in this process.
            axes: whether there are figures at the axes.
        """
        plan = view.plan
        if plan is None:
            return Text("the station has not published its plan yet\n", style="dim")
        edges = np.linspace(0, plan.lines, min(plan.lines, max(height, 1)) + 1).astype(int)
        each = max(1, min(height // plan.lines, _MOST_ROWS_OF_LINE)) if axes else 1
        labels = index_labels(plan, edges[:-1].tolist(), each) if axes else []
        margin = len(labels[0]) if labels else 0
        columns = max(1, min(width - margin, round(_size(plan.scan) / plan.scan_resolution)))
        left = [gap for gap in view.open_gaps() if gap.cause is GapCause.UNVISITED]
        if grid is not None and grid.state.size > _MOST_CELLS:
            blocks, to_scan = blocks_of_touched(grid, edges, columns)
            _mark_gaps(left, plan, blocks, over=to_scan, edges=edges)
        else:
            if grid is not None:
                lines = blocks_of_grid(grid, columns)
                _mark_gaps(left, plan, lines, over=lines == MapBlock.TO_SCAN)
            else:
                lines = self._blocks_of_lines(view, plan, columns)
                _mark_gaps(view.open_gaps(), plan, lines)
                _mark_excluded(plan, lines)
            blocks = np.maximum.reduceat(lines, edges[:-1], axis=0)
        axis = scan_axis(plan, margin, columns, width) if axes else ""
        probe = _probe_block(view, plan, edges, columns)
        if probe is not None:
            probe = probe[0] * each + each // 2, probe[1]
        return _text(np.repeat(blocks, each, axis=0), probe, labels, axis, width)

    def _blocks_of_lines(self, view: StationView, plan: PlanMessage, columns: int) -> Blocks:
        """Return each line's blocks from its own message."""
        blocks = np.full((plan.lines, columns), MapBlock.TO_SCAN, np.uint8)
        for number, message in view.lines.items():
            if not 0 <= number < plan.lines:
                continue
            drawn = self._drawn.get(number)
            if drawn is None or drawn[0] is not message or drawn[1] != columns:
                # What was left behind is an open gap; what is missing and none is still to do.
                row = np.full(columns, MapBlock.MEASURED, np.uint8)
                for stretch in message.missing:
                    row[_columns(plan, stretch, columns)] = MapBlock.TO_SCAN
                drawn = self._drawn[number] = message, columns, row
            blocks[number] = drawn[2]
        # Its message follows when the probe has left it: until then what is measured is not known here.
        under_way = None if view.progress is None else view.progress.line
        if under_way in range(plan.lines) and under_way not in view.lines and view.is_at_work:
            blocks[under_way] = MapBlock.UNDER_WAY
        return blocks


def _mark_gaps(
    gaps: Sequence[GapSnapshot],
    plan: PlanMessage,
    lines: Blocks,
    *,
    over: Bools | None = None,
    edges: Ints | None = None,
) -> None:
    """Mark gaps by their cause.

    Args:
        gaps: to be marked.
        plan: of the survey.
        lines: blocks of each line of the plan, changed in place.
        over: in which blocks only, shape as `lines`.
        edges: first row of each of `lines`, where these are of several rows.
    """
    for gap in gaps:
        rows = _rows(plan, gap.index)
        if edges is not None:
            first = int(np.searchsorted(edges, rows.start, side="right")) - 1
            rows = slice(max(first, 0), int(np.searchsorted(edges, rows.stop)))
        here = rows, _columns(plan, gap.scan, lines.shape[1])
        part = lines[here]
        # The borders of a gap that is no rectangle hold more than its cells: what its lines
        # report as measured stays so.
        rectangle = gap.area >= 0.99 * _size(gap.scan) * _size(gap.index)
        if over is not None:
            where = over[here]
        else:
            where = np.ones(part.shape, bool) if rectangle else part != MapBlock.MEASURED
        np.maximum(part, np.uint8(_BLOCK_OF_CAUSE[gap.cause]), out=part, where=where)


def _size(extent: Extent) -> float:
    return extent.high - extent.low


def _rows(plan: PlanMessage, extent: Extent) -> slice:
    first = round((extent.low - plan.index.low) / plan.index_resolution)
    last = round((extent.high - plan.index.low) / plan.index_resolution)
    return slice(max(first, 0), max(last, 0))


def _columns(plan: PlanMessage, extent: Extent, columns: int) -> slice:
    """Return the blocks that an extent touches; a part past the seam is not drawn."""
    per_mm = columns / _size(plan.scan)
    # An extent is rounded to 0.001 mm: so much over the border of a block is none of it.
    first = math.floor((extent.low - plan.scan.low + 0.001) * per_mm)
    last = math.ceil((extent.high - plan.scan.low - 0.001) * per_mm)
    return slice(max(first, 0), max(last, 0))


def _mark_excluded(plan: PlanMessage, lines: Blocks) -> None:
    """Mark the blocks whose middle is in an excluded zone."""
    columns = lines.shape[1]
    scan = plan.scan.low + (np.arange(columns) + 0.5) * _size(plan.scan) / columns
    index = plan.index.low + (np.arange(plan.lines) + 0.5) * plan.index_resolution
    for zone in plan.excluded:
        inside = np.ones(lines.shape, bool)
        if zone.scan is not None:
            inside &= (scan >= zone.scan.low) & (scan <= zone.scan.high)
        if zone.index is not None:
            inside &= ((index >= zone.index.low) & (index <= zone.index.high))[:, None]
        lines[inside] = MapBlock.EXCLUDED


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


def _text(
    blocks: Blocks, probe: tuple[int, int] | None, labels: list[str], axis: str, width: int
) -> Text:
    text = Text(no_wrap=True)
    for row, line in enumerate(blocks.tolist()):
        if labels:
            text.append(labels[row], "dim")
        for column, block in enumerate(line):
            text.append(*(_PROBE if (row, column) == probe else _SHAPES[MapBlock(block)][:2]))
        text.append("\n")
    if axis:
        text.append(f"{axis}\n", "dim")
    legend = [
        f"{shape} {name}"
        for block, (shape, _, name) in _SHAPES.items()
        if block in blocks and shape != " "
    ]
    # What is most urgent comes last in the table, and first where not all of it fits.
    named = [*([f"{_PROBE[0]} probe"] if probe else []), *reversed(legend)]
    fits = next(k for k in range(len(named), -1, -1) if cell_len("  ".join(named[:k])) <= width)
    text.append("  ".join(reversed(named[:fits])), style="dim")
    return text
