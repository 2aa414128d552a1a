"""From gaps to passes over them: approach, run-up and speed for each line of each gap."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from swathe.motion.errors import Point
from swathe.motion.limits.moves import Move, move_time, ramp_length, total_time
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.raster.fields import AVOIDED, Field, StretchPass, entries, passes_of
from swathe.motion.raster.mover import Mover
from swathe.motion.raster.stretches import cut_line
from swathe.motion.revisit.swathe_visits import swathe_visits
from swathe.motion.revisit.visits import GapPass, GapVisit, PassSettings, rows_within
from swathe.motion.tour.order import order_visits
from swathe.motion.tour.visits import WAYS, Visits
from swathe.pipeline import GapSnapshot

__all__ = ["Tour", "plan_tour"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tour:
    """A way over gaps.

    Attributes:
        passes: of each visit, in their order; each gap is in one visit only.
        moves: of each visit, the way to it included.
        out_of_reach: numbers of the gaps, or parts of gaps, that no pass can reach.
        end: where the probe is afterwards, (scan, index) in mm.
        home_seconds: from the end of each visit back home; zeros without a home.
    """

    passes: tuple[tuple[GapPass, ...], ...]
    moves: tuple[tuple[Move, ...], ...]
    out_of_reach: tuple[int, ...]
    end: Point
    home_seconds: tuple[float, ...]

    @property
    def gaps(self) -> tuple[int, ...]:
        """Numbers of the gaps that are visited, in order."""
        return tuple(gap for visit in self.passes for gap in (visit[0].gaps if visit else ()))

    @property
    def seconds(self) -> float:
        """Time of all moves, the way home not included."""
        return math.fsum(total_time(moves) for moves in self.moves)

    def first(self, count: int) -> Tour:
        """Return the tour's first visits only."""
        moves = self.moves[:count]
        end = moves[-1][-1].end if moves and moves[-1] else self.end
        return Tour(
            passes=self.passes[:count],
            moves=moves,
            out_of_reach=self.out_of_reach,
            end=end,
            home_seconds=self.home_seconds[:count],
        )


def plan_tour(
    gaps: Sequence[GapSnapshot],
    area: WorkArea,
    settings: PassSettings,
    *,
    begin: Point,
    tries: Mapping[int, int] | None = None,
    home: Point | None = None,
) -> Tour:
    """Plan a short tour over gaps: each is visited once, lines cut at zones, run-ups fitted.

    Args:
        gaps: open gaps.
        area: where the machine moves.
        settings: how gaps are revisited.
        begin: where the probe is, (scan, index) in mm.
        tries: how often each gap was tried already, by number; 0 where it is not named.
        home: where the probe shall be in the end; reckoned with, not driven.
    """
    along = 0 if settings.along == "scan" else 1
    visits, lost = _visits(gaps, area, settings, along, tries or {})
    order = order_visits(_as_arrays(visits, area, along), area.metric, begin=begin, home=home)
    mover = Mover(begin=begin, zones=area.zones, limits=area.reach, together=area.together)
    passes: list[tuple[GapPass, ...]] = []
    moves: list[tuple[Move, ...]] = []
    back: list[float] = []
    for code in order:
        visit, way = visits[code // WAYS], code % WAYS
        done, driven = len(mover.moves), []
        planned = zip(passes_of(visit.field, way), visit.passes(way), strict=True)
        for (stretch, forward), single in planned:
            if mover.scan(stretch, along=along, forward=forward, speed=visit.speed):
                driven.append(single)
        if not driven:
            lost.update(visit.gaps)
            continue
        passes.append(tuple(driven))
        moves.append(tuple(mover.moves[done:]))
        end = mover.moves[-1].end
        backwards = (
            0.0 if home is None else move_time(math.dist(end, home), *area.limits.path(end, home))
        )
        back.append(backwards)
    end = mover.moves[-1].end if mover.moves else begin
    return Tour(
        passes=tuple(passes),
        moves=tuple(moves),
        out_of_reach=tuple(sorted(lost)),
        end=end,
        home_seconds=tuple(back),
    )


def _visits(
    gaps: Sequence[GapSnapshot],
    area: WorkArea,
    settings: PassSettings,
    along: int,
    tries: Mapping[int, int],
) -> tuple[list[GapVisit], set[int]]:
    """Return the visits, and the gaps of which nothing can be reached."""
    if not area.carriage.is_single:
        return swathe_visits(gaps, area, settings, along=along, tries=tries)
    axis, across = area.axes[along], area.axes[1 - along]
    travel, cross_travel = area.reach.axes[along], area.reach.axes[1 - along]
    visits: list[GapVisit] = []
    lost: set[int] = set()
    for numbers, rows, (low, high), speed in _joined(gaps, area, settings, along, tries):
        run = area.run_length(along, speed, settings.settle)
        field: Field = []
        for row in range(rows[0], rows[1] + 1):
            at = across.start + row * across.resolution
            if not across.wrapped and not cross_travel.low <= at <= cross_travel.high:
                continue
            stretches = cut_line(
                axis=axis, along=along, line=row % across.cells, at=at, low=low, high=high, run=run,
                zones=area.zones, travel=travel,
            )  # fmt: skip
            if stretches:
                field.append(stretches)
        if field:
            ramp = ramp_length(speed, area.limits.axes[along].acceleration)
            visits.append(GapVisit(numbers, field, speed, run, ramp))
        else:
            lost.update(numbers)
    return visits, lost


_Joined = tuple[tuple[int, ...], tuple[int, int], tuple[float, float], float]
"""Numbers of gaps; first and last row; from and to along the lines; speed."""


def _joined(
    gaps: Sequence[GapSnapshot],
    area: WorkArea,
    settings: PassSettings,
    along: int,
    tries: Mapping[int, int],
) -> list[_Joined]:
    """Gather gaps of the same lines and speed whose run-ups overlap."""
    across = area.axes[1 - along]
    most = area.limits.axes[along].speed
    period = area.zones.periods[along]
    single: list[_Joined] = []
    for gap in gaps:
        extent, lines = (gap.scan, gap.index) if along == 0 else (gap.index, gap.scan)
        speed = min(settings.speed_for(gap.cause, tries.get(gap.number, 0)), most)
        single.append(((gap.number,), rows_within(lines, across), extent, speed))
    if not settings.join:
        return single
    single.sort(key=lambda item: (item[1], item[3], item[2], item[0]))
    found: list[_Joined] = []
    for item in single:
        if found:
            numbers, rows, (low, high), speed = found[-1]
            near = 2 * area.run_length(along, speed, settings.settle)
            reach = max(high, item[2][1])
            if (
                (rows, speed) == (item[1], item[3])
                and item[2][0] - high < near
                and (period is None or reach - low <= period)
            ):
                found[-1] = (numbers + item[0], rows, (low, reach), speed)
                continue
        found.append(item)
    return found


def _as_arrays(visits: list[GapVisit], area: WorkArea, along: int) -> Visits:
    entry = np.empty((len(visits), WAYS, 2))
    own = np.empty((len(visits), WAYS))
    seconds = 0.0
    for number, visit in enumerate(visits):
        for way in range(WAYS):
            passes = passes_of(visit.field, way)
            entry[number, way] = entries(passes, along)[0]
            shaky = sum(not single.steady for single in visit.passes(way))
            if way % 2 == 0:  # backwards it takes as long
                seconds = _drive_seconds(passes, visit.speed, area, along)
            own[number, way] = seconds + shaky * AVOIDED
    # Where no way is steady none is better than the others.
    own -= np.floor(own.min(axis=1, initial=np.inf) / AVOIDED)[:, None] * AVOIDED
    return Visits(entry, own)


def _drive_seconds(passes: list[StretchPass], speed: float, area: WorkArea, along: int) -> float:
    """Return the seconds of passes and of the ways between them, zones left aside."""
    rate = area.limits.axes[along].acceleration
    seconds = 0.0
    for k, (stretch, _) in enumerate(passes):
        seconds += move_time(stretch.reach_high - stretch.reach_low, speed, rate)
        if k:
            leave, enter = (
                entries(passes[k - 1 : k], along)[1],
                entries(passes[k : k + 1], along)[0],
            )
            seconds += float(area.metric.between(np.array(leave), np.array(enter)))
    return seconds
