"""Which readings an operator means: a stretch in words becomes times and positions, once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.messages import StretchSnapshot, moment
from swathe.pipeline import CellState, Pipeline
from swathe.pipeline.progress.fields import count_text
from swathe.station import Axis

__all__ = ["Affected", "StretchTimes", "affected_cells", "resolve_stretch"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NS_PER_S = 1_000_000_000


class StretchTimes(NamedTuple):
    """Times of the readings that are meant, ns UTC.

    Attributes:
        begin: from then on; None from the first reading on.
        end: before then; None until now.
        this_run: whether `begin` is in the present run.
    """

    begin: int | None
    end: int | None
    this_run: bool


class Affected(NamedTuple):
    """What a stretch may affect, as the cells show it.

    Attributes:
        cells: in which a reading of the stretch may be, or its path.
        hits: readings with an echo in them, of the stretch or not.
        waiting: readings that are in no cell so far, as the probe has not moved on.
    """

    cells: int
    hits: int
    waiting: int = 0

    @property
    def any(self) -> bool:
        """Whether anything may be affected."""
        return self.cells > 0 or self.waiting > 0

    @property
    def text(self) -> str:
        """What is affected, as text."""
        if not self.any:
            return "nothing was read there: no cell is affected"
        text = (
            f"up to {count_text(self.hits, 'reading')} with an echo, in "
            f"{count_text(self.cells, 'cell')}"
        )
        if not self.waiting:
            return text
        return f"{text}, and {count_text(self.waiting, 'reading')} in no cell so far"


def resolve_stretch(
    stretch: StretchSnapshot,
    *,
    now: int,
    opened: int,
    notes: Sequence[tuple[int, str]],
    scan: Axis,
    index: Axis,
    units: DisplayUnits = MILLIMETRES,
) -> StretchTimes:
    """Return the times of a stretch; its line and its scan positions are checked.

    Args:
        stretch: as the operator gives it.
        now: time of the command, ns UTC.
        opened: when the run began, ns UTC.
        notes: of the survey, (ns UTC, text) each.
        scan: the scan axis.
        index: the index axis.
        units: in which lengths are written.

    Raises:
        ValueError: there is no such line, no such stretch, or no such note; with the reason.
    """
    if stretch.line is not None and stretch.line >= index.cells:
        message = f"the plan has the lines 0 to {index.cells - 1}"
        raise ValueError(message)
    if stretch.scan is not None:
        low, high = stretch.scan
        if not (low < high and math.isfinite(low) and math.isfinite(high)):
            message = "stretch.scan must run from the lower to the higher border"
            raise ValueError(message)
        first, last = scan.edges(0, scan.cells - 1)
        if not scan.wrapped and (high < first or low > last):
            ends = f"{units.stated_number(first)} to {units.stated_text(last)}"
            message = f"stretch.scan is outside the plan, which runs from {ends}"
            raise ValueError(message)
    begins: list[int] = []
    if stretch.begin is not None:
        begins.append(_time_of(stretch.begin, notes, "begin"))
    if stretch.last is not None:
        begins.append(now - round(stretch.last * _NS_PER_S))
    end = None if stretch.end is None else _time_of(stretch.end, notes, "end")
    begin: int | None = max(begins) if begins else None
    # A time of an earlier run is not compared with now: its clock may have been ahead of this one's.
    limit = end if end is not None else now if stretch.last is not None else None
    if begin is not None and limit is not None and begin >= limit:
        message = (
            f"the stretch begins at {moment(begin):%H:%M:%S} UTC and ends at "
            f"{moment(limit):%H:%M:%S} UTC: 'begin' must be before 'end'"
        )
        raise ValueError(message)
    this_run = stretch.last is not None and begins[-1] >= opened
    return StretchTimes(begin, end, this_run)


def _time_of(text: str, notes: Sequence[tuple[int, str]], name: str) -> int:
    """Return the time that a text gives, ns UTC: itself, or that of the note with this text."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return _time_of_note(text, notes, name)
    if time.tzinfo is None:
        message = f"stretch.{name} must have its offset from UTC, such as 2026-05-04T10:30:00Z"
        raise ValueError(message)
    return (time - _EPOCH) // timedelta(microseconds=1) * 1000


def _time_of_note(text: str, notes: Sequence[tuple[int, str]], name: str) -> int:
    meant = text.strip().casefold()
    found = [time for time, note in notes if note.strip().casefold() == meant]
    if not found:
        message = f"stretch.{name}: there is no note {text!r}, and it is no time such as 2026-05-04T10:30:00Z"
        raise ValueError(message)
    if len(found) > 1:
        times = ", ".join(f"{moment(time):%Y-%m-%dT%H:%M:%SZ}" for time in found)
        message = f"stretch.{name}: {len(found)} notes are {text!r}: give the time of one ({times})"
        raise ValueError(message)
    return found[0]


def affected_cells(stretch: StretchSnapshot, times: StretchTimes, pipeline: Pipeline) -> Affected:
    """Return what a stretch affects at most; nothing is affected where it has no cell.

    Args:
        stretch: as the operator gives it.
        times: of its readings.
        pipeline: has the cells, and the readings that are in none so far.
    """
    grid = pipeline.grid
    rows = slice(None) if stretch.line is None else slice(stretch.line, stretch.line + 1)
    shape = grid.shape
    hits = grid.hits.reshape(shape)[rows]
    state, passes = grid.state.reshape(shape)[rows], grid.passes.reshape(shape)[rows]
    met = (hits > 0) | (passes > 0)
    met |= (state != CellState.UNVISITED) & (state != CellState.EXCLUDED)
    if times.begin is not None:
        # Of a cell without an echo nobody knows when the probe was there.
        met &= (hits == 0) | (grid.last_time.reshape(shape)[rows] >= times.begin)
    if stretch.scan is not None:
        met &= _columns(stretch.scan, grid.scan)
    return Affected(
        int(np.count_nonzero(met)), int(hits[met].sum()), _waiting(stretch, times, pipeline)
    )


def _waiting(stretch: StretchSnapshot, times: StretchTimes, pipeline: Pipeline) -> int:
    """Return how many readings of a stretch are in no cell so far: they are of the present line."""
    if stretch.line not in (None, pipeline.line):
        return 0
    at, scan = pipeline.waiting_readings()
    meant = np.ones(at.shape, bool)
    if times.begin is not None:
        meant &= at >= times.begin
    if times.end is not None:
        meant &= at < times.end
    if stretch.scan is not None:
        column = pipeline.grid.scan.cell(scan)
        inside = _columns(stretch.scan, pipeline.grid.scan)
        meant &= (column >= 0) & inside[np.maximum(column, 0)]
    return int(np.count_nonzero(meant))


def _columns(span: tuple[float, float], axis: Axis) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which cells of the scan axis a span reaches into, shape (cells,)."""
    half = 0.5 * axis.resolution
    low, high = span[0] - half, span[1] + half
    if axis.wrapped:
        length = axis.cells * axis.resolution
        return np.asarray(np.mod(axis.centres - low, length) <= high - low)
    return np.asarray((axis.centres >= low) & (axis.centres <= high))
