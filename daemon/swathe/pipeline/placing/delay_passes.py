"""Passes of the probe along lines, and the pairs of them that show a delay."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from swathe.arrays import Bools, Floats, Ints, Times

__all__ = ["LinePass", "find_passes", "pair_passes"]

# A pass shorter than this many cells, or with fewer readings than these, is left out.
_SHORTEST_CELLS = 20
_FEWEST_READINGS = 20
# The probe has turned when it is this many cells back: an encoder at rest flickers by a count.
_TURN_CELLS = 0.5
# Readings this much before and after a pass are kept with it: an unknown delay may bring them in.
_MARGIN_NS = 200_000_000
# Two passes are compared if their velocities differ by this share of the larger one.
_MIN_CONTRAST = 0.3


@dataclass(frozen=True, slots=True)
class LinePass:
    """One run along one line: its readings, and the path of the probe.

    Attributes:
        row: line of the grid.
        times: of the readings, ns on the host's clock, rising, shape (n,); some are before and
            after the path, as they may belong to it once a delay is subtracted.
        thickness: mm; NaN where there was no echo, shape (n,).
        path_times: of the encoder's samples, ns, rising, shape (m,).
        path: scan position, mm, shape (m,).
    """

    row: int
    times: Times
    thickness: Floats
    path_times: Times
    path: Floats

    @property
    def speed(self) -> float:
        """Mean velocity along the scan axis, mm/ns, signed."""
        return float((self.path[-1] - self.path[0]) / (self.path_times[-1] - self.path_times[0]))


def find_passes(
    times: Times,
    thickness: Floats,
    path_times: Times,
    path: Floats,
    path_rows: Ints,
    resolution: float,
    *,
    apart: Bools | None = None,
) -> list[LinePass]:
    """Return the passes of a scan: stretches of the path along one line in one direction.

    Args:
        times: of the readings, ns, rising, shape (n,).
        thickness: of the readings, mm; NaN where there was no echo, shape (n,).
        path_times: of the encoder's samples, ns, rising, shape (m,).
        path: scan position of the samples, mm, shape (m,).
        path_rows: line of the samples, -1 off the grid, shape (m,).
        resolution: of the scan axis, mm.
        apart: to which samples no known path leads, shape (m,); None where all is known.
    """
    breaks = np.diff(path_rows) != 0
    if apart is not None:
        breaks |= apart[1:]
    borders = np.concatenate(([0], np.flatnonzero(breaks) + 1, [path.size])).tolist()
    found = []
    for begin, end in itertools.pairwise(borders):
        row = int(path_rows[begin]) if begin < path.size else -1
        if row < 0 or np.ptp(path[begin:end]) < _SHORTEST_CELLS * resolution:
            continue
        turns = _turns(path[begin:end], _TURN_CELLS * resolution)
        for first, last in itertools.pairwise(turns):
            if abs(path[begin + last] - path[begin + first]) < _SHORTEST_CELLS * resolution:
                continue
            stretch = _in_motion(path, begin + first, begin + last)
            span = path_times[[stretch.start, stretch.stop - 1]] + [-_MARGIN_NS, _MARGIN_NS]
            low, high = np.searchsorted(times, span)
            mine = slice(int(low), int(high))
            if np.isfinite(thickness[mine]).sum() >= _FEWEST_READINGS:
                found.append(
                    LinePass(row, times[mine], thickness[mine], path_times[stretch], path[stretch])
                )
    return found


def pair_passes(passes: Sequence[LinePass]) -> Ints:
    """Return the pairs that are compared, as numbers of passes, shape (pairs, 2).

    Each pass is compared with the latest earlier one of its own row and of each neighbouring row that
    was run at a clearly different velocity: in the other direction, or at another speed.
    """
    latest: dict[int, list[int]] = {}
    found = []
    for number, one in enumerate(passes):
        for row in (one.row - 1, one.row, one.row + 1):
            for other in reversed(latest.get(row, [])[-2:]):
                speeds = (passes[other].speed, one.speed)
                if abs(speeds[0] - speeds[1]) >= _MIN_CONTRAST * max(map(abs, speeds)):
                    found.append((other, number))
                    break
        latest.setdefault(one.row, []).append(number)
    return np.array(found, np.int64).reshape(-1, 2)


def _turns(path: Floats, threshold: float) -> list[int]:
    """Return where a path turns by more than a threshold, with its first and last sample."""
    step = np.diff(path)
    moving = np.flatnonzero(step)
    if not moving.size:
        return [0, path.size - 1]
    sign = np.sign(step[moving])
    # The last sample before each change of direction.
    extremes = [*moving[1:][sign[1:] != sign[:-1]].tolist(), path.size - 1]
    turns, far, direction = [0], 0, 0.0
    for at in extremes:
        ahead = float(path[at] - path[far])
        if direction == 0.0:
            if abs(ahead) > threshold:
                direction, far = float(np.sign(ahead)), at
        elif ahead * direction >= 0:
            far = at
        elif -ahead * direction > threshold:
            turns.append(far)
            far, direction = at, -direction
    if far != path.size - 1 and far != turns[-1]:
        turns.append(far)
    return [*turns, path.size - 1] if turns[-1] != path.size - 1 else turns


def _in_motion(path: Floats, first: int, last: int) -> slice:
    """Return a stretch from the last sample at its first position to the first at its last."""
    stretch = path[first : last + 1]
    left = np.flatnonzero(stretch != stretch[0])[0] - 1
    arrived = np.flatnonzero(stretch == stretch[-1])
    # The probe may have passed its last position before, by flicker of a count.
    return slice(first + int(left), first + int(arrived[0]) + 1)
