"""The ends of a line on a stepped index axis, at which another one may begin by itself."""

from __future__ import annotations

from typing import Final

import numpy as np

from swathe.arrays import Bools, Floats
from swathe.station import Axis, LineAdvance

__all__ = ["LineEnds"]

# At an end means within this share of the length of it, or within two cells.
_NEAR_SHARE: Final = 0.02
_NEAR_CELLS: Final = 2
# A stroke is at least as long as this share of the length, and as this many cells: less is a hand
# that rubs couplant in.
_STROKE_SHARE: Final = 0.1
_STROKE_CELLS: Final = 10
# Within half a cell the probe is in the outermost cell.
_AT_CELLS: Final = 0.5


class LineEnds:
    """Finds at which ends of the scan axis the present line ends by itself.

    With ``return`` a line ends at the start of the axis, once the probe was on its way out for the
    length of a stroke. With ``either end`` it ends at the end opposite to the one at which it began;
    where it began at neither, at the one that the probe reaches by a stroke. Only motion that was
    seen makes a stroke: `break_off` is called where the position was lost.

    Args:
        scan: the scan axis.
        advance: what begins another line.
    """

    def __init__(self, scan: Axis, advance: LineAdvance) -> None:
        length = (scan.cells - 1) * scan.resolution
        self._start, self._end = scan.start, scan.start + length
        self.near = min(max(_NEAR_SHARE * length, _NEAR_CELLS * scan.resolution), 0.25 * length)
        self._stroke = min(
            max(_STROKE_SHARE * length, _STROKE_CELLS * scan.resolution), 0.5 * length
        )
        self._at = _AT_CELLS * scan.resolution
        self._advance = advance
        self._began = 0  # -1 at the start, 1 at the end, 0 at neither
        self._low = self._high = np.nan  # reached since the line began
        self._out = {-1: False, 1: False}  # whether a stroke leads away from this end

    def _within(self, positions: Floats, end: int, margin: float) -> Bools:
        if end < 0:
            return np.asarray(positions <= self._start + margin)
        return np.asarray(positions >= self._end - margin)

    def reached(self, positions: Floats) -> Bools:
        """Return whether a probe that stops or turns at each of these positions ended the line.

        The positions are the next ones, before `follow` is called for them.
        """
        return self._ending(positions, self.near)

    def end_at(self, position: float) -> int:
        """Return the end that a position is near to: -1 the start, 1 the end, 0 neither."""
        place = np.array(position)
        return next((end for end in (-1, 1) if self._within(place, end, self.near)), 0)

    def arrived(self, positions: Floats) -> Bools:
        """Return whether each of the next positions is in the outermost cell, where the line ends."""
        return self._ending(positions, self._at)

    def _ending(self, positions: Floats, margin: float) -> Bools:
        found = np.zeros(positions.shape, bool)
        if self._advance is LineAdvance.COMMAND or not positions.size:
            return found
        if self._advance is LineAdvance.EITHER_END and self._began:
            return self._within(positions, -self._began, margin)
        strokes, _, _ = self._strokes(positions)
        for end in (-1,) if self._advance is LineAdvance.RETURN else (-1, 1):
            out = self._out[end] | np.logical_or.accumulate(strokes[end])
            found |= out & self._within(positions, end, margin)
        return found

    def _strokes(self, positions: Floats) -> tuple[dict[int, Bools], float, float]:
        """Return whether a stroke from each end leads to each position; the lowest, the highest."""
        low = np.fmin.accumulate(np.concatenate(([self._low], positions)))[1:]
        high = np.fmax.accumulate(np.concatenate(([self._high], positions)))[1:]
        # A run-in from outside the plan is no part of a stroke.
        found = {
            -1: positions - np.maximum(low, self._start) >= self._stroke,
            1: np.minimum(high, self._end) - positions >= self._stroke,
        }
        return found, float(low[-1]), float(high[-1])

    def follow(self, positions: Floats) -> None:
        """Follow the probe along the line, mm, shape (n,)."""
        if positions.size:
            strokes, self._low, self._high = self._strokes(positions)
            for end, found in strokes.items():
                self._out[end] |= bool(found.any())

    def begin(self, began: int) -> None:
        """Another line begins, at the start (-1), at the end (1) or at neither (0)."""
        self._began = began
        self.break_off(keep=True)

    def break_off(self, *, keep: bool = False) -> None:
        """Forget the strokes: the position was lost. Unless `keep`, where the line began as well."""
        self._began = self._began if keep else 0
        self._low = self._high = np.nan
        self._out = {-1: False, 1: False}

    def turn_here(self) -> int:
        """Take note that the line is blocked where the probe is.

        Returns where a line that begins here is taken to have begun: at the end that the probe
        cannot reach.
        """
        if self._advance is LineAdvance.RETURN:
            self._out[-1] = True
        return -self._began
