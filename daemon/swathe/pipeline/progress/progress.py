"""The progress of a survey and its rates, computed for publication."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Ints
from swathe.pipeline.calibration_in_force import CalibrationInForce
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.pipeline.checks.slipped_cells import SlippedCells
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.lifts import Lift
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.placed import ProbePath
from swathe.pipeline.placing.probe_echoes import ProbeEchoes
from swathe.pipeline.placing.reading_times import ReadingPace
from swathe.pipeline.placing.track import NEVER_KNOWN
from swathe.pipeline.progress.fields import percent_of
from swathe.pipeline.progress.lift_snapshot import lift_snapshot
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot, probe_checks, probe_snapshots
from swathe.pipeline.progress.probes_now import probes_now
from swathe.pipeline.progress.snapshots import LineNow, ProgressSnapshot
from swathe.pipeline.spurious.watch import SpuriousWatch
from swathe.station import AxisMode, Station, budget_of

__all__ = ["RunRates", "line_now", "progress_of", "sliding_rate", "speed_limit", "speed_limits"]


_SPEED_WINDOW_NS = 500_000_000
# The warning comes before cells are skipped: readings are never quite evenly spaced.
_NEAR_LIMIT = 0.8
_JITTER_RESERVE = 1.25
_RATE_WINDOW_NS = 20_000_000_000
# The usual speed is that of so many instants in which the probe moved, 20 s of motion, and not known
# before a second of it. An encoder's flicker at rest is no motion.
_MOST_MOVING = 400
_FEWEST_MOVING = 20
_MOVING_SPEED = 2.0
# Travel is summed in whole nanometres, so that no sum depends on where it was cut.
_NM_PER_MM = 1e6


def sliding_rate(
    times: NDArray[np.int64], totals: NDArray[np.int64], window_ns: int
) -> NDArray[np.float64]:
    """Return the rise per second of totals over the window before each time; 0 while unknown.

    Args:
        times: ns, rising, shape (n,).
        totals: at these times, shape (n,).
        window_ns: length of the window; it begins with the last total at or before its begin, or
            with the first one.
    """
    before = np.maximum(np.searchsorted(times, times - window_ns, side="right") - 1, 0)
    spans = times - times[before]
    return np.asarray((totals - totals[before]) / np.maximum(spans, 1) * 1e9 * (spans > 0))


class RunRates:
    """Running figures of one run, at the instants of its evaluation.

    Args:
        time: when the run began, host time in ns.
        readings: readings of the survey until then.
        measured: measured cells until then.

    Attributes:
        speeds: speed at each of the instants that were followed last, mm/s.
        speed: speed at the last instant, mm/s.
        rate: readings per second.
        cell_rate: cells that become measured, per second of motion over the last 20 s of it: a halt
            makes no scan slower; per second of time where no motion is known.
        usual_speeds: speed while the probe moves, weighted by itself so that ramps and stops count
            little, over the last 20 s of motion, at each of the instants that were followed last,
            mm/s; 0 before a second of motion.
        usual_speed: the same at the last instant.
    """

    def __init__(self, time: int = 0, *, readings: int = 0, measured: int = 0) -> None:
        self._travelled = 0
        self._times = np.array([time], np.int64)
        self._totals = np.array([[0], [readings], [measured]], np.int64)
        self.speeds: NDArray[np.float64] = np.empty(0)
        self.speed = self.rate = self.cell_rate = 0.0
        # Time in motion, ns, and measured cells at the last instants in which the probe moved.
        self._in_motion = np.array([[0], [measured]], np.int64)
        # At the last instants in which the probe moved: sums of speed, µm/s, and of its square.
        self._moved = np.zeros((2, 1), np.int64)
        self.usual_speeds: NDArray[np.float64] = np.empty(0)
        self.usual_speed = 0.0

    def follow(
        self,
        instants: NDArray[np.int64],
        *,
        path: ProbePath | None,
        readings: NDArray[np.int64],
        measured: NDArray[np.int64],
    ) -> None:
        """Follow the next instants, host times in ns, rising, shape (n,).

        Args:
            instants: later than those before.
            path: the piece of path that settled since the last call, up to the present.
            readings: readings of the survey at each instant, shape (n,).
            measured: measured cells at each instant, shape (n,).
        """
        travelled = np.full(instants.shape, self._travelled)
        if path is not None:
            # A position reset is no travel.
            mm = np.where(path.resets[1:], 0.0, np.abs(np.diff(path.scan)))
            travel = np.cumsum(np.rint(mm * _NM_PER_MM).astype(np.int64))
            sums = np.concatenate(([0], travel)) + self._travelled
            self._travelled = int(sums[-1])
            travelled = sums[np.searchsorted(path.settled[1:], instants, side="right")]
        if not instants.size:
            return
        keep = int(np.searchsorted(self._times, instants[0] - _RATE_WINDOW_NS, side="right")) - 1
        keep = max(keep, 0)
        times = np.concatenate((self._times[keep:], instants))
        totals = np.concatenate(
            (self._totals[:, keep:], np.stack((travelled, readings, measured))), axis=1
        )
        self._times, self._totals = times, totals
        speeds = sliding_rate(times, totals[0], _SPEED_WINDOW_NS) / _NM_PER_MM
        self.speeds = speeds[-instants.size :]
        self.speed = float(speeds[-1])
        moving = self.speeds >= _MOVING_SPEED
        self._follow_motion(moving)
        self.rate = float(sliding_rate(times, totals[1], _SPEED_WINDOW_NS)[-1])
        self.cell_rate = self._cell_rate(moving)

    def _cell_rate(self, moving: Bools) -> float:
        """Return the cells that become measured, per second of motion."""
        steps = np.diff(self._times[-self.speeds.size - 1 :])
        clock = self._in_motion[0, -1] + np.cumsum(np.where(moving, steps, 0))
        measured = self._totals[2, -self.speeds.size :]
        followed = np.stack((clock, measured))[:, moving]
        kept = np.concatenate((self._in_motion, followed), axis=1)
        first = int(np.searchsorted(kept[0], kept[0, -1] - _RATE_WINDOW_NS, side="right")) - 1
        self._in_motion = kept[:, max(first, 0) :]
        if kept[0, -1] == 0:
            return float(sliding_rate(self._times, self._totals[2], _RATE_WINDOW_NS)[-1])
        return float(sliding_rate(self._in_motion[0], self._in_motion[1], _RATE_WINDOW_NS)[-1])

    def _follow_motion(self, moving: Bools) -> None:
        """Take the speeds at the instants that were followed last, in which the probe moved or not."""
        speeds = np.rint(self.speeds[moving] * 1e3).astype(np.int64)
        sums = self._moved[:, -1:] + np.cumsum(np.stack((speeds, speeds * speeds)), axis=1)
        sums = np.concatenate((self._moved, sums), axis=1)
        last = self._moved.shape[1] - 1 + np.cumsum(moving)
        first = np.maximum(last - _MOST_MOVING, 0)
        total, squares = sums[:, last] - sums[:, first]
        usual = squares / np.maximum(total, 1) / 1e3
        self.usual_speeds = np.where(last - first >= _FEWEST_MOVING, usual, 0.0)
        self.usual_speed = float(self.usual_speeds[-1])
        self._moved = sums[:, -_MOST_MOVING - 1 :]

    def too_fast(self, limit: float | None) -> bool:
        """Return whether the probe is near the limit, mm/s, or over it."""
        return limit is not None and self.speed > _NEAR_LIMIT * limit

    def were_too_fast(self, limits: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return whether the probe was near its limit, mm/s, at the instants followed last.

        A limit that is unknown is infinite.
        """
        return np.asarray(self.speeds > _NEAR_LIMIT * limits)


def speed_limit(inputs: DeviceInputs, station: Station, grid: Grid) -> float | None:
    """Return the highest speed at which no cell is skipped now, mm/s; None while unknown."""
    pace = inputs.placer.probe_times.pace_at(np.array([NEVER_KNOWN - 1]))
    limit = float(speed_limits(pace, station, grid)[0])
    return limit if np.isfinite(limit) else None


def speed_limits(pace: ReadingPace, station: Station, grid: Grid) -> NDArray[np.float64]:
    """Return the highest speeds at which each cell has its wanted hits, mm/s, shape (n,).

    Readings at a period p whose times are off it by errors that differ by J at most: any span of
    n·p + J has n of them, since the k with s <= k·p + e(k) < s + T have whole numbers that fill
    T - J of the line. So a cell of width w has its n hits up to w / (n·p + J). J is what the
    longest interval of late is above p, and a quarter more, for those that were not seen yet (our
    choice, no source). The jitter of the encoder's times is not in it.

    Args:
        pace: of the readings; the limit is infinite while it is unknown.
        station: has the wanted hits per cell.
        grid: has the resolution.
    """
    jitter = _JITTER_RESERVE * np.maximum(pace.longest - pace.usual, 0)
    span = np.where(pace.usual > 0, station.survey.hits_per_cell * pace.usual + jitter, 0)
    with np.errstate(divide="ignore"):
        return grid.scan.resolution / span * 1e9


def line_now(inputs: DeviceInputs | None, station: Station) -> LineNow | None:
    """Return the line in force; None where the index axis is not stepped, or before a run."""
    stepped = station.index is not None and station.index.mode is AxisMode.STEPPED
    if not stepped or inputs is None or inputs.stepped is None:
        return None
    lines, axis = inputs.stepped, station.index_axis
    waiting = ""
    if lines.hand is not None and lines.in_doubt:
        needed = station.display.stated_text(lines.hand.min_motion)
        waiting = f"nothing counts until the probe has moved {needed} on line {lines.line}"
    return LineNow(
        number=lines.line,
        lines=axis.cells,
        index=axis.start + lines.line * axis.resolution,
        settled=not waiting,
        waiting=waiting,
    )


def progress_of(
    *,
    time: int,
    station: Station,
    grid: Grid,
    coverage: Coverage,
    inputs: DeviceInputs | None,
    suspect_cells: SuspectCells,
    minimum: MinimumThickness,
    spurious: SpuriousWatch,
    rates: RunRates,
    slipped_cells: SlippedCells,
    lift: Lift | None,
    readings: int,
    unplaced: int,
    between_lines: int = 0,
    coupled: bool = False,
    probe_echoes: ProbeEchoes,
    of_probes: Ints,
    calibration: CalibrationInForce,
    utc_offset: int,
) -> ProgressSnapshot:
    """Return the progress of a survey at `time`, ns UTC, that of the last entry."""
    scan, index = inputs.position if inputs else (None, None)
    left = coverage.required - coverage.measured
    pace = rates.cell_rate
    limit = speed_limit(inputs, station, grid) if inputs else None
    requests = station.verification
    probes = 1 if inputs is None else len(inputs.probes)
    due = suspect_cells.checks.due_by_probe(requests.interval if requests else None, probes)
    first_due = min(due.values(), default=None)
    budget = None if minimum.value is None else budget_of(station, minimum.value)
    snapshots: tuple[ProbeSnapshot, ...] = ()
    if inputs is not None and len(inputs.probes) > 1:
        snapshots = probe_snapshots(
            inputs.probes,
            probe_echoes,
            of_probes,
            probes_now(inputs, calibration, spurious.limits),
            (grid.scan.onto, grid.index.onto),
            times=(time - utc_offset, utc_offset),
            limit=station.alarms.probe,
            checks=probe_checks(suspect_cells, due, time, probes),
        )
    minimum_scan, minimum_index = minimum.position or (None, None)
    raw_scan, raw_index = minimum.raw_position or (None, None)
    return ProgressSnapshot(
        time=time,
        required=coverage.required,
        measured=coverage.measured,
        percent=percent_of(coverage.measured, coverage.required),
        open_gaps=len(coverage.gaps.open),
        line=coverage.row if coverage.row >= 0 else None,
        line_now=line_now(inputs, station),
        scan=None if scan is None else grid.scan.onto(scan),
        index=None if index is None else grid.index.onto(index),
        lifted=lift_snapshot(lift, grid.scan, grid.index, station.display),
        speed=rates.speed,
        speed_limit=limit,
        slips=len(slipped_cells.slips),
        slipped_at=_slipped_at(slipped_cells, grid),
        too_fast=coupled and rates.too_fast(limit),
        rate=rates.rate,
        seconds_left=left / pace if pace > 0 else None,
        readings=readings,
        unplaced=unplaced,
        between_lines=between_lines,
        outside=grid.outside,
        minimum=minimum.value,
        minimum_scan=minimum_scan,
        minimum_index=minimum_index,
        minimum_raw=minimum.raw_value,
        minimum_raw_scan=raw_scan,
        minimum_raw_index=raw_index,
        to_confirm=spurious.register.open,
        impossible=spurious.impossible,
        probes=snapshots,
        minimum_expanded=None if budget is None else budget.expanded,
        suspect=suspect_cells.count + slipped_cells.count,
        check_due=first_due,
        check_overdue=first_due is not None and time > first_due,
    )


def _slipped_at(slipped_cells: SlippedCells, grid: Grid) -> float | None:
    """Return the position of the last slip as it reads on its axis, mm; None before any."""
    if not slipped_cells.slips:
        return None
    slip = slipped_cells.slips[-1]
    return (grid.scan if slip.axis == "scan" else grid.index).onto(slip.position)
