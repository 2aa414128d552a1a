"""What is next for a scanner that is moved by hand: a stroke over a gap, or the next line."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np

from swathe.arrays import Bools, Cells
from swathe.motion.errors import Point
from swathe.motion.revisit.hand_step import HandStep, HandSurvey
from swathe.motion.revisit.strokes import SETTLE_CELLS, Stroke, strokes_over, whole_stretches
from swathe.motion.revisit.swathe_by_hand import next_swathe_by_hand
from swathe.pipeline import CellState, Gap, GapCause, Grid, causes_of
from swathe.station import Axis, LineAdvance

__all__ = ["next_by_hand"]

_ROUNDING = 1e-9
# Gaps from which on they are compared as columns.
_MANY = 100
# Rows that are sorted by their distance before the others.
_NEAREST = 64


def next_by_hand(
    survey: HandSurvey, *, at: Point | None = None, requested: Iterable[int] = ()
) -> HandStep:
    """Return what to do next.

    The first of the requested gaps that is open comes first. On a stepped index axis the line in
    force is finished before another one is begun: its gaps, then what has not been scanned of it.
    Then the nearest gap follows, and without gaps the nearest line that is not scanned. Of two as
    near the lower number comes first.

    Args:
        survey: of which cells are missing.
        at: where the probe is, (scan, index) in mm; None while unknown: the first line comes first.
            Of several probes it is that of their datum.
        requested: numbers of gaps, in the order of the requests.
    """
    if not survey.carriage.is_single:
        return next_swathe_by_hand(survey, at=at, requested=requested)
    grid, gaps = survey.grid, survey.coverage.gaps
    here = _row_of(survey, at)
    wanted = next((gap for gap in map(gaps.find, requested) if gap and gap.closed is None), None)
    if wanted is not None and (step := _again(survey, wanted, at, only=True)) is not None:
        return step
    stepped = survey.line is not None
    open_ = gaps.open
    if stepped and here is not None:
        mine = [gap for gap in open_ if _has_row(gap, here, grid.index)]
        if mine and (step := _again(survey, _nearest(mine, grid, at), at, row=here)) is not None:
            return step
        if _to_scan(survey, here).any():
            return _stretch(survey, here, at)
    left = list(open_)
    while left:
        if (step := _again(survey, nearest := _nearest(left, grid, at), at)) is not None:
            return step
        left.remove(nearest)
    row = next((row for row in _next_rows(survey, here) if _to_scan(survey, row).any()), None)
    return HandStep(kind="done") if row is None else _stretch(survey, row, at)


def _again(
    survey: HandSurvey, gap: Gap, at: Point | None, *, row: int | None = None, only: bool = False
) -> HandStep | None:
    """Return the stroke over a gap: on a row, or on that of its rows which is nearest.

    None where no cell is missing there any more: gaps change at instants, cells with each reading.
    """
    grid, gaps = survey.grid, survey.coverage.gaps
    if row is None:
        row = _nearest_row(gap, grid.index, at)
    cells = _cells_of(row, grid)
    lost = np.isin(cells, gap.cells) if only else gaps.holds(cells) & grid.missing(cells)
    if not lost.any():
        return None
    excluded = grid.state[cells] == CellState.EXCLUDED
    strokes = strokes_over(lost, excluded, grid.scan)
    stroke = min(strokes, key=lambda one: _apart(one, at, grid.scan))
    rising = _rises(stroke, survey, at, row)
    on_way = cells[list(stroke.cells)]
    numbers = gaps.numbers_of(on_way)
    number = gap.number if gap.number in numbers else int(numbers[0])
    found = gaps.find(number) or gap
    causes = causes_of(grid, on_way)
    first, last = _rows(found, grid.index)
    hurried = GapCause.TOO_FAST in causes or GapCause.UNCERTAIN in causes
    return _placed(
        HandStep(
            kind="again",
            gap=number,
            start=stroke.low if rising else stroke.high,
            end=stroke.high if rising else stroke.low,
            rising=rising,
            missing=len(stroke.cells) * grid.scan.resolution,
            gaps=len(numbers),
            further=last - first,
            elsewhere=gaps.open_count - len(numbers),
            cause=max(causes, key=causes.__getitem__),
            speed=survey.speed_limit if hurried else None,
        ),
        survey,
        row,
        at,
    )


def _stretch(survey: HandSurvey, row: int, at: Point | None) -> HandStep:
    """Return the stretch of a line to scan next."""
    grid = survey.grid
    to_scan = _to_scan(survey, row)
    stretches = whole_stretches(to_scan, grid.scan)
    cells = _cells_of(row, grid)
    begun = bool((~to_scan & (grid.state[cells] != CellState.EXCLUDED)).any())
    present = row == _row_of(survey, at) and begun
    one_way = survey.advance is LineAdvance.RETURN and not present
    position = None if at is None or one_way else at[0]
    ends = [(low, high, True) for low, high in stretches]
    if not one_way:
        ends += [(high, low, False) for low, high in stretches]
    if position is None:
        start, end, rising = ends[0]
    else:
        start, end, rising = min(ends, key=lambda one: grid.scan.distance(one[0], position))
    step = HandStep(
        kind="continue" if present else "line",
        start=start,
        end=end,
        rising=rising,
        missing=float(np.count_nonzero(to_scan)) * grid.scan.resolution,
        elsewhere=survey.coverage.gaps.open_count,
    )
    return _placed(step, survey, row, at)


def _placed(step: HandStep, survey: HandSurvey, row: int, at: Point | None) -> HandStep:
    """Return a step with its row, its distances, and positions as they read on their axes."""
    scan, index = survey.grid.scan, survey.grid.index
    line = row % index.cells
    place = _place(line, index)
    away = across = None
    if at is not None:
        across = place - at[1]
        if index.turn is not None:
            turn = index.turn[1] - index.turn[0]
            across = (across + turn / 2) % turn - turn / 2
        away = scan.distance(step.start, at[0]) + abs(across)
    values = {name: getattr(step, name) for name in HandStep.__slots__}
    values |= {"line": line, "index": place, "away": away, "across": across}
    return HandStep(**values | {"start": scan.onto(step.start), "end": scan.onto(step.end)})


def _rises(stroke: Stroke, survey: HandSurvey, at: Point | None, row: int) -> bool:
    """Return whether a stroke goes towards higher positions.

    From the nearer end, but for a return to the start that would begin another line, and for a
    line that is changed to, of which nothing counts before the probe has moved.
    """
    if survey.advance is LineAdvance.RETURN and survey.line is not None and stroke.whole:
        return True
    if survey.line is not None and row != survey.line:
        runs = stroke.run_low >= SETTLE_CELLS, stroke.run_high >= SETTLE_CELLS
        if runs[0] != runs[1]:
            return runs[0]
    if at is None:
        return True
    scan = survey.grid.scan
    return scan.distance(stroke.low, at[0]) <= scan.distance(stroke.high, at[0])


def _row_of(survey: HandSurvey, at: Point | None) -> int | None:
    """Return the row of the probe; None outside the grid and while that is not known."""
    if survey.line is not None:
        return survey.line
    if at is None:
        return None
    row = int(survey.grid.index.cell(np.array([at[1]]))[0])
    return row if row >= 0 else None


def _cells_of(row: int, grid: Grid) -> Cells:
    columns = grid.shape[1]
    return np.arange(row * columns, (row + 1) * columns)


def _to_scan(survey: HandSurvey, row: int) -> Bools:
    """Return which cells of a row are missing and in no gap, shape (columns,)."""
    cells = _cells_of(row, survey.grid)
    return np.asarray(survey.grid.missing(cells) & ~survey.coverage.gaps.holds(cells))


def _next_rows(survey: HandSurvey, here: int | None) -> Iterator[int]:
    """Yield the rows with missing cells, the nearest first; of two as near the higher one."""
    coverage, index = survey.coverage, survey.grid.index
    rows = np.flatnonzero(coverage.missing_in_rows() > 0)
    if here is None:
        yield from map(int, rows)
        return
    steps = rows - here
    if index.wrapped:
        steps = (steps + index.cells // 2) % index.cells - index.cells // 2
    far = 2 * np.abs(steps) + (steps < 0)  # no two are as far
    # Of a million rows one of the nearest is mostly it: the others are seldom sorted.
    near = (
        np.argpartition(far, _NEAREST)[:_NEAREST] if rows.size > _NEAREST else np.arange(rows.size)
    )
    near = near[np.argsort(far[near])]
    yield from map(int, rows[near])
    yield from map(int, rows[np.argsort(far)[near.size :]])


def _nearest(gaps: list[Gap], grid: Grid, at: Point | None) -> Gap:
    """Return the gap that is nearest to the probe; the first one while it is not known where."""
    if at is None:
        return min(gaps, key=lambda gap: (gap.index, gap.scan, gap.number))
    if len(gaps) > _MANY and not (grid.scan.wrapped or grid.index.wrapped):
        return _nearest_of_many(gaps, grid, at)
    return min(gaps, key=lambda gap: (_gap_apart(gap, grid, at), gap.number))


def _nearest_of_many(gaps: list[Gap], grid: Grid, at: Point) -> Gap:
    """Return what `_nearest` does, of gaps in the order of their numbers on axes without a seam."""
    index = grid.index
    scan = np.array([gap.scan for gap in gaps])
    ends = (np.array([gap.index for gap in gaps]) - index.start) / index.resolution
    first = np.ceil(ends[:, 0] - _ROUNDING)
    last = np.maximum(first, np.floor(ends[:, 1] + _ROUNDING))
    here = round((at[1] - index.start) / index.resolution)
    row = np.clip(here, first, last)
    across = np.abs(index.start + row * index.resolution - at[1])
    return gaps[int(np.argmin(across + np.abs(scan - at[0]).min(axis=1)))]


def _gap_apart(gap: Gap, grid: Grid, at: Point) -> float:
    row = _nearest_row(gap, grid.index, at)
    across = grid.index.distance(_place(row, grid.index), at[1])
    return across + min(grid.scan.distance(end, at[0]) for end in gap.scan)


def _nearest_row(gap: Gap, index: Axis, at: Point | None) -> int:
    """Return that row of a gap which is nearest to the probe."""
    first, last = _rows(gap, index)
    if at is None:
        return first % index.cells
    here = round((at[1] - index.start) / index.resolution)
    if _has_row(gap, here, index):
        return here % index.cells
    ends = (first, last)
    return min(ends, key=lambda row: index.distance(_place(row, index), at[1])) % index.cells


def _rows(gap: Gap, axis: Axis) -> tuple[int, int]:
    """Return the first and last row of a gap; the last may be past the seam of a pipe."""
    first = math.ceil((gap.index[0] - axis.start) / axis.resolution - _ROUNDING)
    last = math.floor((gap.index[1] - axis.start) / axis.resolution + _ROUNDING)
    return first, max(first, last)


def _has_row(gap: Gap, row: int, axis: Axis) -> bool:
    first, last = _rows(gap, axis)
    past = (row - first) % axis.cells if axis.wrapped else row - first
    return 0 <= past <= last - first


def _place(row: int, axis: Axis) -> float:
    return axis.start + row * axis.resolution


def _apart(stroke: Stroke, at: Point | None, scan: Axis) -> float:
    """Return how far the nearer end of a stroke is from the probe, mm."""
    if at is None:
        return stroke.low
    return min(scan.distance(stroke.low, at[0]), scan.distance(stroke.high, at[0]))
