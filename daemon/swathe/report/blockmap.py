"""The coverage map in characters, for a terminal; states are told by shape."""

from __future__ import annotations

import numpy as np
from rich.text import Text

from swathe.pipeline import CellState, Grid

__all__ = ["SHAPES", "block_map"]

SHAPES = {
    CellState.MEASURED: ("▪", "green"),
    CellState.UNVISITED: ("·", "dim"),
    CellState.EXCLUDED: (" ", ""),
    CellState.SUSPECT: ("?", "magenta"),
    CellState.SKIPPED: ("/", "bold yellow"),
    CellState.NO_SIGNAL: ("○", "bold red"),
}
"""Shape and style of each state, from the least to the most urgent."""

_PROBE = ("◆", "bold cyan")


def block_map(grid: Grid, *, width: int, height: int, probe: tuple[int, int] | None = None) -> Text:
    """Return the grid in at most `width` × `height` characters.

    A character stands for a block of cells and shows the most urgent state among them, so that no
    gap is lost by drawing small.

    Args:
        grid: the grid.
        width: characters along the scan axis.
        height: characters along the index axis.
        probe: (row, column) of the probe's cell.
    """
    rows, columns = grid.shape
    row_edges = np.linspace(0, rows, min(rows, height) + 1).astype(int)
    column_edges = np.linspace(0, columns, min(columns, width) + 1).astype(int)
    urgency = np.zeros(len(CellState), np.uint8)
    for rank, state in enumerate(SHAPES):
        urgency[state] = rank
    ranks = urgency[grid.state.reshape(grid.shape)]
    blocks = np.maximum.reduceat(ranks, row_edges[:-1], axis=0)
    blocks = np.maximum.reduceat(blocks, column_edges[:-1], axis=1)
    shapes = list(SHAPES.values())
    text = Text()
    for line, low, high in zip(blocks, row_edges, row_edges[1:], strict=False):
        for k, rank in enumerate(line):
            here = probe is not None and (
                low <= probe[0] < high and column_edges[k] <= probe[1] < column_edges[k + 1]
            )
            text.append(*(_PROBE if here else shapes[rank]))
        text.append("\n")
    legend = [
        f"{shape} {state.name.lower()}" for state, (shape, _) in SHAPES.items() if shape != " "
    ]
    text.append("   ".join([*legend, f"{_PROBE[0]} probe"]).replace("_", " ") + "\n", style="dim")
    return text
