"""Patterns of the cell states, as pixels: distinct in grey as well as in colour."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import to_rgb
from numpy.typing import NDArray

from swathe.arrays import Bools
from swathe.pipeline import CellState
from swathe.report.styles import STATE_STYLES

__all__ = ["hatched", "state_pixels"]

# Pixels from line to line of a pattern: 1.5 mm of a picture.
_PERIOD = 12
_INK = np.array([38, 38, 38], np.uint8)


def hatched(state: CellState, shape: tuple[int, int], *, period: int = _PERIOD) -> Bools:
    """Return where the pattern of a state has ink, for pixels of a picture, shape (rows, columns).

    Of the same place of a picture it is always the same, so that neighbours fit.
    """
    y, x = np.ogrid[: shape[0], : shape[1]]
    p = period
    match state:
        case CellState.UNVISITED:  # dots
            found = (y % p < 2) & ((x + p // 2 * (y // p % 2)) % p < 2)
        case CellState.UNCERTAIN:  # dashes
            found = (y % p < 2) & ((x + p // 2 * (y // p % 2)) % p < p // 2)
        case CellState.SKIPPED:  # rising lines
            found = (x + y) % p < 2
        case CellState.NO_SIGNAL:  # rings
            distance = np.hypot(x % p - p / 2 + 0.5, y % p - p / 2 + 0.5)
            found = (distance > 2.4) & (distance < 4.4)
        case CellState.SUSPECT:  # crossed lines
            found = ((x + y) % p < 2) | ((x - y) % p < 2)
        case CellState.EXCLUDED:  # a grid
            found = ((x % p < 2) | (y % p < 2)) & np.ones((1, 1), bool)
        case _:
            found = np.zeros((1, 1), bool)
    return np.broadcast_to(found, shape)


def state_pixels(state: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the colours of states, one a pixel, shape (rows, columns, 3), with their patterns."""
    table = np.zeros((max(CellState) + 1, 3), np.uint8)
    for value in CellState:
        table[value] = [round(255 * part) for part in to_rgb(STATE_STYLES[value][0])]
    pixels = table[state]
    for value in CellState:
        where = state == value
        if where.any():
            pixels[where & hatched(value, (state.shape[0], state.shape[1]))] = _INK
    return np.asarray(pixels)
