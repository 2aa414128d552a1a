"""Since when the probe stands where it is with an echo, for a position that an operator gives."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Floats
from swathe.pipeline.placing.placed import Placed, ProbePath

__all__ = ["Standing"]

_EVER: Final = int(np.iinfo(np.int64).min)
# Motion within this share of a cell is none: a hand trembles.
_STILL_CELLS: Final = 0.5


class Standing:
    """Follows the readings that were taken since the probe last moved and last had no echo.

    A position that is given then holds for them, too: they were taken where the probe rests.

    The path is followed on two grids that are half a cell of theirs apart: a probe that trembles at
    a border of one is within a cell of the other.

    Args:
        cell: width of a cell along the scan axis, mm.
    """

    def __init__(self, cell: float) -> None:
        self._width = _STILL_CELLS * cell
        self._cells = np.full(2, np.nan)
        self._entered = [_EVER, _EVER]
        self._uncoupled = _EVER
        self._coupled = _EVER

    @property
    def since(self) -> int | None:
        """Host time from which readings with an echo were taken at rest, ns; None without any."""
        begin = max(min(self._entered), self._uncoupled + 1)
        return begin if self._coupled >= begin else None

    def follow(self, placed: Placed, path: ProbePath | None) -> None:
        """Follow readings and path as they become known."""
        if path is not None:
            for number, shift in enumerate((0.0, 0.5)):
                self._follow_path(number, path, np.floor(path.scan / self._width + shift))
        times, valid = placed.readings["time"], placed.readings["valid"]
        if valid.any():
            self._coupled = max(self._coupled, int(times[valid].max()))
        if not valid.all():
            self._uncoupled = max(self._uncoupled, int(times[~valid].max()))

    def _follow_path(self, number: int, path: ProbePath, cells: Floats) -> None:
        changes = np.flatnonzero(np.diff(cells, prepend=self._cells[number]) != 0)
        if changes.size:
            self._entered[number] = int(path.time[changes[-1]])
        self._cells[number] = cells[-1]
