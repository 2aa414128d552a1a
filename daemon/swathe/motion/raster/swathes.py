"""Passes of several probes over what is wanted of lines: in the fewest passes, clear of all zones.

First the fewest passes that cover the lines are planned as if nothing were in the way, and each is cut
where the carriage would meet a zone or the end of the travel. What that leaves open next to a zone,
where a probe at the side could pass but the carriage was stopped, is covered by further passes: always
the one that scans most of it. No more is claimed of those than that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from swathe.arrays import Bools, Floats
from swathe.motion.carriage.cover import cover_lines, lines_under
from swathe.motion.errors import MotionError
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.raster.stretches import Stretch, Strip, fit
from swathe.station import Axis

__all__ = ["SwatheSettings", "Swathes", "plan_swathes"]

_ROUNDING_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class SwatheSettings:
    """How passes of several probes are made.

    Attributes:
        run: run-in and run-out, mm.
        off_centre: how far from a line a probe still covers it, mm.
        overlap: width that neighbouring passes have in common at least, mm.
    """

    run: float
    off_centre: float
    overlap: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Swathes:
    """Passes over what was wanted.

    Attributes:
        main: stretches of each pass, the passes rising.
        extra: likewise of those that scan what the first ones cannot next to zones.
        missed: what is wanted and no pass reaches, shape (lines, cells along them).
        fewest: whether it is known that fewer main passes cannot cover the lines.
    """

    main: list[list[Stretch]]
    extra: list[list[Stretch]]
    missed: Bools
    fewest: bool

    @property
    def positions(self) -> tuple[float, ...]:
        """Where the datum is across on each pass of which something is scanned, mm."""
        return tuple(row[0].at for row in (*self.main, *self.extra) if row)


def plan_swathes(
    wanted: Bools, lines: Floats, area: WorkArea, settings: SwatheSettings, *, along: int
) -> Swathes:
    """Plan the passes of an area's carriage.

    Args:
        wanted: what is to be scanned, shape (lines, cells along them).
        lines: positions of the lines across, mm, rising, shape (lines,).
        area: where the machine moves, with its carriage.
        settings: how the passes are made.
        along: axis that the lines run along; 0 for scan, 1 for index.

    Raises:
        MotionError: no probe is live, or the overlap is as wide as the carriage.
    """
    offsets = area.carriage.offsets(1 - along)
    if not offsets.size:
        raise MotionError(
            "a carriage must have a live probe", remedy="repair one, or scan it by hand"
        )
    if settings.overlap > float(np.ptp(offsets)) + _ROUNDING_MM:
        units = area.limits.units
        got, width = units.stated_text(settings.overlap), units.stated_text(float(np.ptp(offsets)))
        raise MotionError(
            f"the overlap of two passes must be less than the probes are wide (got {got} of {width})",
            remedy="lower motion.plan.pass_overlap",
        )
    planner = _Planner(lines, area, settings, along)
    left = wanted.copy()
    rows = np.flatnonzero(wanted.any(axis=1))
    across, reach = area.axes[1 - along], area.reach.axes[1 - along]
    cover = cover_lines(
        lines[rows],
        offsets,
        off_centre=settings.off_centre,
        allowed=(reach.low, reach.high),
        places=across.centres if area.stepped and along == 0 else None,
        period=area.zones.periods[1 - along],
        overlap=settings.overlap,
        usable=lambda at: bool(planner.free(at)),
    )
    main = [planner.take(one.at, left, number) for number, one in enumerate(cover.passes)]
    extra = planner.rest(left, len(main))
    return Swathes(main=main, extra=extra, missed=left, fewest=cover.fewest)


@dataclass(frozen=True, slots=True)
class _Under:
    """A line under a probe, and where the datum is for each cell of it, mm; NaN where it cannot be."""

    line: int
    probe: int
    datum: Floats


class _Planner:
    """Cuts passes at what is in the way."""

    def __init__(self, lines: Floats, area: WorkArea, settings: SwatheSettings, along: int) -> None:
        self._lines, self._area, self._settings, self._along = lines, area, settings, along
        self._axis: Axis = area.axes[along]
        self._travel = area.reach.axes[along]
        self._period = area.zones.periods[along]
        self._offsets = area.carriage.offsets(along)
        self._free: dict[float, list[tuple[float, float]]] = {}
        self._passes: dict[float, list[_Under]] = {}

    @cached_property
    def _middles(self) -> Floats:
        """Where the datum is when each probe is at each cell's centre, mm, shape (probes, cells)."""
        return np.asarray(self._axis.centres[None] - self._offsets[:, None])

    def free(self, at: float) -> list[tuple[float, float]]:
        """Return where the datum may be along a pass; round a pipe from one turn on."""
        if at not in self._free:
            self._free[at] = self._find_free(at)
        return self._free[at]

    def _find_free(self, at: float) -> list[tuple[float, float]]:
        zones, run = self._area.zones, self._settings.run
        low, high = float(self._middles.min()), float(self._middles.max())
        if self._period is None:
            half = self._axis.resolution / 2
            low, high = (
                max(low - half - run, self._travel.low),
                min(high + half + run, self._travel.high),
            )
            return zones.free(self._along, at, (low, high)) if low < high else []
        # One turn from the end of a zone on, so that none of what is free runs over the seam.
        window = (low, low + self._period, at, at)
        boxes = zones.boxes_in(window if self._along == 0 else (*window[2:], *window[:2]))
        begin = low if not boxes else boxes[0][2 * self._along + 1]
        if not math.isfinite(begin):
            return []  # a zone takes all of it
        return zones.free(self._along, at, (begin, begin + self._period))

    def under(self, at: float) -> list[_Under]:
        """Return the lines under the probes of a pass."""
        if at not in self._passes:
            self._passes[at] = self._find_under(at)
        return self._passes[at]

    def _find_under(self, at: float) -> list[_Under]:
        zones = self._area.zones
        under, _ = lines_under(
            np.array([at]), self._lines, self._area.carriage.offsets(1 - self._along),
            off_centre=self._settings.off_centre, period=zones.periods[1 - self._along],
        )  # fmt: skip
        found: list[_Under] = []
        for probe, line in enumerate(under[0].tolist()):
            if line < 0:
                continue
            datum = np.full(self._axis.cells, np.nan)
            for low, high in self.free(at):
                place = self._middles[probe]
                if self._period is not None:
                    place = low + np.mod(place - low + _ROUNDING_MM, self._period) - _ROUNDING_MM
                here = (place >= low - _ROUNDING_MM) & (place <= high + _ROUNDING_MM)
                here &= self._fits(place)
                datum[here] = place[here]
            found.append(_Under(line, probe, datum))
        return found

    def _fits(self, place: Floats) -> Bools:
        """Return whether the datum can be at positions, at some turn of a pipe."""
        low, high = self._travel.low - _ROUNDING_MM, self._travel.high + _ROUNDING_MM
        if self._period is None or not np.isfinite(low) or not np.isfinite(high):
            return np.asarray((place >= low) & (place <= high))
        return np.asarray(place + np.ceil((low - place) / self._period) * self._period <= high)

    def gain(self, at: float, left: Bools) -> int:
        """Return how many open cells a pass scans."""
        return sum(
            int(np.count_nonzero(left[one.line] & ~np.isnan(one.datum))) for one in self.under(at)
        )

    def rest(self, left: Bools, number: int) -> list[list[Stretch]]:
        """Return passes over what is open, each the one that scans most; close it in `left`."""
        across = self._area.axes[1 - self._along]
        offsets = self._area.carriage.offsets(1 - self._along)
        reach = self._area.reach.axes[1 - self._along]
        found: list[tuple[float, list[Stretch]]] = []
        rows = np.flatnonzero(left.any(axis=1))
        places = np.unique(np.round((self._lines[rows][:, None] - offsets[None]).ravel(), 9))
        if self._area.stepped and self._along == 0:
            near = np.round((places - across.start) / across.resolution)
            places = np.unique(
                across.start + np.clip(near, 0, across.cells - 1) * across.resolution
            )
        if not across.wrapped:
            places = places[(places >= reach.low) & (places <= reach.high)]
        candidates = [at for at in places.tolist() if self.gain(at, left)]
        while candidates:
            gains = [self.gain(at, left) for at in candidates]
            best = int(np.argmax(gains))
            if not gains[best]:
                break
            found.append((candidates[best], self.take(candidates[best], left, number + len(found))))
            candidates = [at for at, gain in zip(candidates, gains, strict=True) if gain]
            candidates.remove(found[-1][0])
        return [stretches for _, stretches in sorted(found, key=lambda item: item[0])]

    def take(self, at: float, left: Bools, number: int) -> list[Stretch]:
        """Return the stretches of a pass over what is open; close it in `left`.

        Where passes shall overlap, all that is under the probes is scanned, open or not.
        """
        under = self.under(at)
        asked = [
            ~np.isnan(one.datum) & (left[one.line] | (self._settings.overlap > 0)) for one in under
        ]
        places = [one.datum[wanted] for one, wanted in zip(under, asked, strict=True)]
        # Sorted parts follow each other, which a merging sort makes use of.
        every = np.sort(np.concatenate(places), kind="stable") if places else np.empty(0)
        stretches: list[Stretch] = []
        for free in self.free(at):
            here = every[(every >= free[0] - _ROUNDING_MM) & (every <= free[1] + _ROUNDING_MM)]
            for core in self._cores(here, free):
                stretches += self._fitted(at, number, core, free)
        done: list[Stretch] = []
        for stretch in stretches:
            strips: list[Strip] = []
            for one, wanted in zip(under, asked, strict=True):
                scanned = wanted & self._passed(one.datum, stretch)
                if scanned.any():
                    left[one.line] &= ~scanned
                    strips.append(self._strip(one, stretch))
            if strips:
                done.append(replace(stretch, strips=tuple(strips)))
        return done

    def _cores(self, places: Floats, free: tuple[float, float]) -> list[tuple[float, float]]:
        """Return from where to where the datum is to scan, so that it is at all of these places."""
        if not places.size:
            return []
        half = self._axis.resolution / 2
        join = max(2 * self._settings.run, 1.5 * self._axis.resolution)
        if self._all_round(free):
            assert self._period is not None  # noqa: S101
            holes = np.diff(np.append(places, places[0] + self._period))
            widest = int(np.argmax(holes))
            if holes[widest] <= join:
                return [(float(places[0]) - half, float(places[0]) - half + self._period)]
            places = np.append(places[widest + 1 :], places[: widest + 1] + self._period)
            free = (-math.inf, math.inf)
        parts = np.split(places, np.flatnonzero(np.diff(places) > join) + 1)
        return [
            (max(float(part[0]) - half, free[0]), min(float(part[-1]) + half, free[1]))
            for part in parts
        ]

    def _all_round(self, free: tuple[float, float]) -> bool:
        return self._period is not None and free[1] - free[0] > self._period - _ROUNDING_MM

    def _fitted(
        self, at: float, number: int, core: tuple[float, float], free: tuple[float, float]
    ) -> list[Stretch]:
        """Return a stretch with its run-in and run-out; two where the travel cuts it round a pipe."""
        run = self._settings.run
        low, high = core
        if self._all_round(free):
            free = (-math.inf, math.inf)
            if self._period is not None and high - low > self._period - _ROUNDING_MM:
                low, high = self._whole_turn(low)
        stretch = Stretch(
            line=number, at=at, low=low, high=high, reach_low=max(free[0], low - run),
            reach_high=min(free[1], high + run),
        )  # fmt: skip
        if self._period is None:
            return [stretch]
        return fit(stretch, run, self._period, self._travel)

    def _whole_turn(self, low: float) -> tuple[float, float]:
        """Return a turn, from where the travel has one: all round it begins anywhere."""
        assert self._period is not None  # noqa: S101
        begin, end = self._travel.low, self._travel.high
        turns = math.ceil((begin - low) / self._period) if math.isfinite(begin) else 0
        if low + (turns + 1) * self._period > end and end - begin >= self._period:
            return begin, begin + self._period
        return low, low + self._period

    def _passed(self, datum: Floats, stretch: Stretch) -> Bools:
        """Return which positions the datum passes on a stretch."""
        way = datum - stretch.low
        if self._period is not None:
            way = np.mod(way + _ROUNDING_MM, self._period) - _ROUNDING_MM
        return np.asarray(
            (way >= -_ROUNDING_MM) & (way <= stretch.high - stretch.low + _ROUNDING_MM)
        )

    def _strip(self, one: _Under, stretch: Stretch) -> Strip:
        offset = float(self._offsets[one.probe])
        low, high = stretch.low + offset, stretch.high + offset
        if self._period is None:
            first, last = self._axis.edges(0, self._axis.cells - 1)
            low, high = max(low, first), min(high, last)
        number = self._area.carriage.live[one.probe].number
        return Strip(number, one.line, float(self._lines[one.line]), low, high)
