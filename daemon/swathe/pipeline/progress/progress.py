"""The progress of a survey and its rates, computed for publication."""

from __future__ import annotations

from collections import deque

import numpy as np

from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.placer import ProbePath
from swathe.pipeline.placing.slip import Slip
from swathe.pipeline.progress.fields import percent_of
from swathe.pipeline.progress.snapshots import ProgressSnapshot
from swathe.station import Station, budget_of

__all__ = ["RunRates", "SlidingRate", "progress_of", "speed_limit"]


class SlidingRate:
    """Rate of a rising total over a sliding window.

    Args:
        window_ns: length of the window.
    """

    def __init__(self, window_ns: int) -> None:
        self._window = window_ns
        self._samples: deque[tuple[int, float]] = deque()

    def note(self, time: int, total: float) -> None:
        """Add the total at `time`, ns."""
        samples = self._samples
        samples.append((time, total))
        while len(samples) > 2 and samples[1][0] <= time - self._window:
            samples.popleft()

    @property
    def per_second(self) -> float:
        """Rise per second over the window; 0 while unknown."""
        if len(self._samples) < 2:
            return 0.0
        (t0, v0), (t1, v1) = self._samples[0], self._samples[-1]
        return (v1 - v0) / (t1 - t0) * 1e9 if t1 > t0 else 0.0


_SPEED_WINDOW_NS = 500_000_000
# The warning comes before cells are skipped: readings are never quite evenly spaced.
_NEAR_LIMIT = 0.8
_RATE_WINDOW_NS = 20_000_000_000


class RunRates:
    """Running figures of one run."""

    def __init__(self) -> None:
        self._travelled = 0.0
        self.speed = SlidingRate(_SPEED_WINDOW_NS)
        self.rate = SlidingRate(_SPEED_WINDOW_NS)
        self.cell_rate = SlidingRate(_RATE_WINDOW_NS)

    def add_path(self, path: ProbePath) -> None:
        """Add the travel along a piece of the probe's path; a position reset is no travel."""
        self._travelled += float(np.abs(np.diff(path.scan))[~path.resets[1:]].sum())

    def update(self, now: int, *, readings: int, measured: int) -> None:
        """Add the totals at a tick, host time in ns."""
        self.speed.note(now, self._travelled)
        self.rate.note(now, readings)
        self.cell_rate.note(now, measured)

    def too_fast(self, limit: float | None) -> bool:
        """Return whether the probe is near the limit, mm/s, or over it."""
        return limit is not None and self.speed.per_second > _NEAR_LIMIT * limit


def speed_limit(inputs: DeviceInputs, station: Station, grid: Grid) -> float | None:
    """Return resolution × reading rate / wanted hits per cell, mm/s; None while unknown."""
    interval = inputs.placer.interval_ns
    if not interval:
        return None
    return grid.scan.resolution / station.survey.hits_per_cell / interval * 1e9


def progress_of(
    *,
    time: int,
    station: Station,
    grid: Grid,
    coverage: Coverage,
    inputs: DeviceInputs | None,
    suspect_cells: SuspectCells,
    minimum: MinimumThickness,
    rates: RunRates,
    slips: list[Slip],
    readings: int,
    unplaced: int,
) -> ProgressSnapshot:
    """Return the progress of a survey at `time`, ns UTC, that of the last tick."""
    scan, index = inputs.position if inputs else (None, None)
    left = coverage.required - coverage.measured
    pace = rates.cell_rate.per_second
    limit = speed_limit(inputs, station, grid) if inputs else None
    requests = station.verification
    due = suspect_cells.checks.due(requests.interval if requests else None)
    budget = None if minimum.value is None else budget_of(station, minimum.value)
    minimum_scan, minimum_index = minimum.position or (None, None)
    return ProgressSnapshot(
        time=time,
        required=coverage.required,
        measured=coverage.measured,
        percent=percent_of(coverage.measured, coverage.required),
        open_gaps=len(coverage.gaps.open),
        line=coverage.row if coverage.row >= 0 else None,
        scan=scan,
        index=index,
        speed=rates.speed.per_second,
        speed_limit=limit,
        slips=len(slips),
        slipped_at=slips[-1].position if slips else None,
        too_fast=rates.too_fast(limit),
        rate=rates.rate.per_second,
        seconds_left=left / pace if pace > 0 else None,
        readings=readings,
        unplaced=unplaced,
        outside=grid.outside,
        minimum=minimum.value,
        minimum_scan=minimum_scan,
        minimum_index=minimum_index,
        minimum_expanded=None if budget is None else budget.expanded,
        suspect=suspect_cells.count,
        check_due=due,
        check_overdue=due is not None and time > due,
    )
