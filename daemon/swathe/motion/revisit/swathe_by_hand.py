"""The next step by hand with several probes: where to put the carriage, and from where to where.

Positions are those of the datum. Of the places at which a live probe passes a row that is missing, that
one is taken at which the probes pass most of what is missing; of two as good the nearer one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from swathe.arrays import Bools, Cells, Floats
from swathe.motion.carriage.cover import lines_under
from swathe.motion.errors import Point
from swathe.motion.revisit.hand_step import HandStep, HandSurvey, StepKind
from swathe.motion.revisit.strokes import RUN_CELLS, RUN_MM, SETTLE_CELLS
from swathe.motion.revisit.visits import rows_within
from swathe.pipeline import CellState, Gap, GapCause, causes_of
from swathe.station import Axis, LineAdvance

__all__ = ["next_swathe_by_hand"]

_ROUNDING_MM = 1e-6
# A probe is for the row that it passes no further from the middle than this share of it.
_OFF_CENTRE = 0.4
# From so many strokes, or from this share of what is free on, all of it is one stroke.
_MANY_STROKES, _WHOLE_SHARE = 3, 0.5
# Rows of a gap that are tried at most, those next to the carriage: a hand does the rest afterwards.
_MOST_ROWS = 64


def next_swathe_by_hand(
    survey: HandSurvey, *, at: Point | None = None, requested: Iterable[int] = ()
) -> HandStep:
    """Return what to do next with several probes, in the order in which `next_by_hand` does.

    Args:
        survey: of which cells are missing, with its carriage.
        at: where the datum is, (scan, index) in mm; None while unknown.
        requested: numbers of gaps, in the order of the requests.
    """
    guide = _Guide(survey, at)
    gaps = survey.coverage.gaps
    wanted = next((gap for gap in map(gaps.find, requested) if gap and gap.closed is None), None)
    if wanted is not None and (step := guide.again(wanted)) is not None:
        return step
    left = sorted(gaps.open, key=guide.apart)
    here = [] if at is None else guide.rows_at(at[1])
    if survey.line is not None and here and at is not None:
        mine = [gap for gap in left if guide.has_row(gap, here)]
        for gap in mine:
            if (step := guide.again(gap, [at[1]])) is not None:
                return step
        if (step := guide.scan([at[1]])) is not None:
            return step
    for gap in left:
        if (step := guide.again(gap)) is not None:
            return step
    for row in guide.rows_to_scan():
        if (step := guide.scan(guide.places([row]))) is not None:
            return step
    return HandStep(kind="done")


@dataclass(frozen=True, slots=True)
class _Under:
    """A row under a probe, and which of its cells are meant."""

    row: int
    probe: int
    cells: Cells


@dataclass(frozen=True, slots=True)
class _Way:
    """A way of the datum from `low` to `high`, mm, and whether it is all that is free there."""

    low: float
    high: float
    whole: bool


class _Guide:
    """Looks for places of the carriage and ways from there."""

    def __init__(self, survey: HandSurvey, at: Point | None) -> None:
        self._survey, self._at = survey, at
        self._grid = survey.grid
        self._scan, self._index = survey.grid.scan, survey.grid.index
        self._shifts = survey.carriage.offsets(0)
        self._offsets = survey.carriage.offsets(1)
        self._columns = self._grid.shape[1]
        self._period = _turn(self._scan)

    def rows_at(self, place: float) -> list[int]:
        """Return the rows under live probes where the datum is at a position."""
        return [row for row, _ in self._under(place, self._offsets)]

    def _under(self, place: float, offsets: Floats) -> list[tuple[int, int]]:
        under, _ = lines_under(
            np.array([place]),
            self._index.centres,
            offsets,
            off_centre=_OFF_CENTRE * self._index.resolution,
            period=_turn(self._index),
        )
        return [(row, probe) for probe, row in enumerate(under[0].tolist()) if row >= 0]

    def places(self, rows: Iterable[int]) -> list[float]:
        """Return where the datum is, across, when a live probe passes one of these rows."""
        axis = self._index
        centres = axis.centres[np.array([row % axis.cells for row in rows])]
        places = np.unique(np.round((centres[:, None] - self._offsets[None]).ravel(), 9))
        if self._survey.line is not None:  # stepped: on a row only
            steps = np.round((places - axis.start) / axis.resolution)
            places = np.unique(axis.start + np.clip(steps, 0, axis.cells - 1) * axis.resolution)
        return [float(place) for place in places]

    def _row_cells(self, row: int) -> Cells:
        return np.arange(row * self._columns, (row + 1) * self._columns)

    def _lost(self, row: int) -> Bools:
        """Return which cells of a row are missing and in a gap."""
        cells = self._row_cells(row)
        return np.asarray(self._survey.coverage.gaps.holds(cells) & self._grid.missing(cells))

    def _open(self, row: int) -> Bools:
        """Return which cells of a row are missing and in no gap."""
        cells = self._row_cells(row)
        return np.asarray(self._grid.missing(cells) & ~self._survey.coverage.gaps.holds(cells))

    def has_row(self, gap: Gap, rows: list[int]) -> bool:
        """Return whether a gap has cells on one of these rows."""
        return not set(rows).isdisjoint(self._rows_of(gap))

    def _rows_of(self, gap: Gap) -> list[int]:
        first, last = rows_within(gap.index, self._index)
        return [row % self._index.cells for row in range(first, last + 1)]

    def apart(self, gap: Gap) -> tuple[float, float, int]:
        """Return how far a gap is from the nearest live probe, to sort by."""
        if self._at is None:
            return gap.index[0], gap.scan[0], gap.number
        row = self._index.start + rows_within(gap.index, self._index)[0] * self._index.resolution
        across = min(
            self._index.distance(row, self._at[1] + offset) for offset in self._offsets.tolist()
        )
        along = min(self._scan.distance(end, self._at[0]) for end in gap.scan)
        return across + along, 0.0, gap.number

    def rows_to_scan(self) -> list[int]:
        """Return the rows with missing cells, the nearest to a live probe first."""
        rows = np.flatnonzero(self._survey.coverage.missing_in_rows() > 0).tolist()
        if self._at is None:
            return [int(row) for row in rows]
        here = [self._at[1] + offset for offset in self._offsets.tolist()]
        centres = self._index.centres

        def apart(row: int) -> tuple[float, int]:
            return min(self._index.distance(float(centres[row]), place) for place in here), row

        return sorted(rows, key=apart)

    def again(self, gap: Gap, places: list[float] | None = None) -> HandStep | None:
        """Return the stroke over a gap; None where no cell of it is missing any more."""
        rows = self._rows_of(gap)
        if self._at is not None and len(rows) > _MOST_ROWS:
            near = self._at[1]
            rows.sort(key=lambda row: self._index.distance(float(self._index.centres[row]), near))
        mine = set(rows)
        window = self._within(gap.scan)
        best: tuple[int, float, int, float] | None = None
        lost: dict[int, Bools] = {}
        for place in self.places(rows[:_MOST_ROWS]) if places is None else places:
            count, hits = 0, False
            rows_here = {row for row, _ in self._under(place, self._offsets)}
            for row in rows_here:
                if row not in lost:
                    lost[row] = self._lost(row)
                found = int(np.count_nonzero(lost[row] & window))
                count += found
                hits |= bool(found) and row in mine
            # Of two places as near, that with more of the carriage within the plan.
            score = (-count, self._away(place), -len(rows_here), place)
            if hits and (best is None or score < best):
                best = score
        if best is None:
            return None
        place = best[-1]
        needed = self._needed(place, self._lost)
        way = self._step(place, needed, run=max(RUN_MM, RUN_CELLS * self._scan.resolution))
        if way is None:
            return None
        step, cells = way
        gaps = self._survey.coverage.gaps
        numbers = gaps.numbers_of(cells)
        number = gap.number if gap.number in numbers else int(numbers[0])
        causes = causes_of(self._grid, cells)
        hurried = GapCause.TOO_FAST in causes or GapCause.UNCERTAIN in causes
        return replace(
            step,
            kind="again",
            gap=number,
            gaps=len(numbers),
            further=len(set(self._rows_of(gaps.find(number) or gap)) - set(step.rows)),
            elsewhere=gaps.open_count - len(numbers),
            cause=max(causes, key=causes.__getitem__),
            speed=self._survey.speed_limit if hurried else None,
        )

    def scan(self, places: list[float]) -> HandStep | None:
        """Return the pass at one of these places that scans most; None if none scans anything."""
        best: tuple[int, float, int, float] | None = None
        for place in places:
            rows = [row for row, _ in self._under(place, self._offsets)]
            count = sum(int(np.count_nonzero(self._open(row))) for row in set(rows))
            score = (-count, self._away(place), -len(rows), place)
            if count and (best is None or score < best):
                best = score
        if best is None:
            return None
        place = best[-1]
        needed = self._needed(place, self._open)
        found = self._step(place, needed, run=0.0)
        if found is None:
            return None
        step, _ = found
        begun = any(self._is_begun(row) for row in step.rows)
        close = self._away(place) <= _OFF_CENTRE * self._index.resolution
        kind: StepKind = "continue" if begun and close and self._at is not None else "line"
        return replace(step, kind=kind, elsewhere=self._survey.coverage.gaps.open_count)

    def _is_begun(self, row: int) -> bool:
        """Return whether some required cell of a row is measured."""
        cells = self._row_cells(row)
        required = self._grid.state[cells] != CellState.EXCLUDED
        return bool((~self._grid.missing(cells) & required).any())

    def _away(self, place: float) -> float:
        return 0.0 if self._at is None else self._index.distance(place, self._at[1])

    def _within(self, extent: tuple[float, float]) -> Bools:
        way = self._scan.centres - extent[0]
        if self._period is not None:
            way = np.mod(way + _ROUNDING_MM, self._period) - _ROUNDING_MM
        return np.asarray((way >= -_ROUNDING_MM) & (way <= extent[1] - extent[0] + _ROUNDING_MM))

    def _needed(self, place: float, which: Callable[[int], Bools]) -> list[_Under]:
        """Return what a pass at a place is for, by row and probe; each row under one probe only."""
        found: dict[int, _Under] = {}
        for row, probe in self._under(place, self._offsets):
            if row not in found and (columns := np.flatnonzero(which(row))).size:
                found[row] = _Under(row, probe, columns)
        return list(found.values())

    def _step(
        self, place: float, needed: list[_Under], *, run: float
    ) -> tuple[HandStep, Cells] | None:
        """Return the nearest way over what is needed, and the cells on it; None if all is barred."""
        datum = [self._scan.centres[one.cells] - self._shifts[one.probe] for one in needed]
        every = np.sort(np.concatenate(datum))
        free, base = self._free(place, needed, every)
        if self._period is not None:
            datum = [base + np.mod(each - base, self._period) for each in datum]
            every = np.sort(np.concatenate(datum))
        ways = [way for ends in free for way in self._ways(every, ends, run)]
        if not ways:
            return None
        way = min(ways, key=self._nearer)
        on_it = [
            (each >= way.low - _ROUNDING_MM) & (each <= way.high + _ROUNDING_MM) for each in datum
        ]
        rows = tuple(sorted(one.row for one, here in zip(needed, on_it, strict=True) if here.any()))
        cells = np.sort(
            np.concatenate(
                [
                    one.row * self._columns + one.cells[here]
                    for one, here in zip(needed, on_it, strict=True)
                ]
            )
        )
        first, last = every[(every >= way.low - _ROUNDING_MM) & (every <= way.high + _ROUNDING_MM)][
            [0, -1]
        ]
        rising = self._rises(way, place, (float(first) - way.low, way.high - float(last)))
        start, end = (way.low, way.high) if rising else (way.high, way.low)
        away = across = None
        if self._at is not None:
            across = place - self._at[1]
            if (turn := _turn(self._index)) is not None:
                across = (across + turn / 2) % turn - turn / 2
            away = self._scan.distance(start, self._at[0]) + abs(across)
        step = HandStep(
            kind="line",
            line=rows[0],
            index=self._index.onto(place),
            start=self._scan.onto(start),
            end=self._scan.onto(end),
            rising=rising,
            missing=cells.size * self._scan.resolution,
            away=away,
            across=across,
            rows=rows,
        )
        return step, cells

    def _free(
        self, place: float, needed: list[_Under], every: Floats
    ) -> tuple[list[tuple[float, float]], float]:
        """Return where the datum may be, so that no probe is in an excluded cell; where a turn begins.

        The probes that are needed go no further than the first and the last cell.
        """
        axis, shifts = self._scan, self._shifts[[one.probe for one in needed]]
        probes = self._survey.carriage.probes
        index = np.array([probe.index for probe in probes])
        row_of, _ = lines_under(
            np.array([place]), self._index.centres, index,
            off_centre=self._index.resolution / 2, period=_turn(self._index),
        )  # fmt: skip
        bars: list[Floats] = []
        for probe, row in zip(probes, row_of[0].tolist(), strict=True):
            if row >= 0:
                excluded = self._grid.state[self._row_cells(row)] == CellState.EXCLUDED
                bars.append(axis.centres[excluded] - probe.scan)
        barred = np.unique(np.concatenate(bars)) if bars else np.empty(0)
        low, high = float(axis.centres[0] - shifts.max()), float(axis.centres[-1] - shifts.min())
        if self._period is not None:
            if barred.size:
                first = float(barred[0])
                low, high = first + axis.resolution, first - axis.resolution + self._period
            else:
                # A turn is cut where nothing is needed, so that it begins and ends apart.
                turned = np.unique(np.mod(every - low, self._period)) + low
                holes = np.diff(np.append(turned, turned[0] + self._period))
                last, hole = float(turned[np.argmax(holes)]), float(holes.max())
                low, high = last + 0.75 * hole, last + 0.25 * hole + self._period
            barred = np.unique(low + np.mod(barred - low, self._period))
        free: list[tuple[float, float]] = []
        begin = low
        for bar in barred.tolist():
            if bar - axis.resolution >= begin - _ROUNDING_MM:
                free.append((begin, min(bar - axis.resolution, high)))
            begin = max(begin, bar + axis.resolution)
        if begin <= high + _ROUNDING_MM:
            free.append((begin, high))
        return free, low - _ROUNDING_MM

    def _ways(self, every: Floats, free: tuple[float, float], run: float) -> list[_Way]:
        """Return the ways over what is needed of what is free, with a run-in before each."""
        low, high = free
        here = every[(every >= low - _ROUNDING_MM) & (every <= high + _ROUNDING_MM)]
        if not here.size:
            return []
        join = 2 * run + 1.5 * self._scan.resolution
        parts = np.split(here, np.flatnonzero(np.diff(here) > join) + 1)
        spans = [(max(float(p[0]) - run, low), min(float(p[-1]) + run, high)) for p in parts]
        covered = sum(b - a for a, b in spans)
        if run and (len(spans) >= _MANY_STROKES or covered >= _WHOLE_SHARE * (high - low)):
            return [_Way(low, high, whole=True)]
        return [_Way(a, b, whole=False) for a, b in spans]

    def _nearer(self, way: _Way) -> tuple[float, float]:
        if self._at is None:
            return way.low, way.low
        ends = (self._scan.distance(end, self._at[0]) for end in (way.low, way.high))
        return min(ends), way.low

    def _rises(self, way: _Way, place: float, runs: tuple[float, float]) -> bool:
        """Return whether a way goes towards higher positions: from the nearer end, as for one probe."""
        survey = self._survey
        if survey.advance is LineAdvance.RETURN and survey.line is not None and way.whole:
            return True
        if survey.line is not None and self._index.centres[survey.line] != place:
            settled = [run >= SETTLE_CELLS * self._scan.resolution - _ROUNDING_MM for run in runs]
            if settled[0] != settled[1]:
                return settled[0]
        if self._at is None:
            return True
        scan, at = self._scan, self._at[0]
        return scan.distance(way.low, at) <= scan.distance(way.high, at)


def _turn(axis: Axis) -> float | None:
    return None if axis.turn is None else axis.turn[1] - axis.turn[0]
