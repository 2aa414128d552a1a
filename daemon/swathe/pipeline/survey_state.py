"""What is known of a survey: cells, coverage, checks, operator requests, alarms."""

from __future__ import annotations

from typing import Literal

import numpy as np

from swathe.arrays import Floats, Times
from swathe.pipeline.alarms.delay_unknown import DelayWatch
from swathe.pipeline.alarms.evaluation import AlarmEvaluation
from swathe.pipeline.applied_revisions import AppliedRevisions
from swathe.pipeline.calibration_in_force import CalibrationInForce
from swathe.pipeline.cells.changed import ChangedCells
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gaps import Gap
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.cells.minimum import MinimumThickness
from swathe.pipeline.cells.probe_beams import ProbeBeams
from swathe.pipeline.checks.slipped_cells import SlippedCells
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.crawler_history import CrawlerHistory
from swathe.pipeline.lifts import Lift, LiftWatch
from swathe.pipeline.losses import JournalLosses
from swathe.pipeline.operator_requests import OperatorRequests
from swathe.pipeline.placing.delays_in_force import (
    EstimatedDelay,
    MeasuredDelay,
    delay_uncertainty,
    delays_in_force,
    encoder_delay,
)
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.inputs import DeviceInputs
from swathe.pipeline.placing.pauses import Pauses
from swathe.pipeline.placing.place_uncertainty import PlaceBudget, PlaceSums, StatedUncertainty
from swathe.pipeline.placing.standing import Standing
from swathe.pipeline.progress.delay_snapshot import DelaySnapshot, delay_snapshots
from swathe.pipeline.progress.probe_snapshot import no_counts
from swathe.pipeline.progress.progress import RunRates, progress_of, speed_limit
from swathe.pipeline.progress.revision_snapshots import RevisionSnapshot
from swathe.pipeline.progress.snapshots import (
    GapSnapshot,
    LineSnapshot,
    ProgressSnapshot,
    gap_snapshot,
    line_snapshot,
)
from swathe.pipeline.references import Reference
from swathe.pipeline.revisions import Revision, RevisionLog
from swathe.pipeline.setup_history import SetupHistory
from swathe.pipeline.spots.register import Spot
from swathe.pipeline.spots.snapshot import SpotSnapshot, spot_snapshot
from swathe.pipeline.spots.survey_spots import SurveySpots
from swathe.pipeline.spurious.watch import SpuriousWatch
from swathe.pipeline.station_history import StationHistory
from swathe.station import Station, excluded_cells, kept_channels, kept_waveforms

__all__ = ["SurveyState", "SurveyStatus"]

SurveyStatus = Literal["scanning", "complete", "incomplete"]


class SurveyState:
    """State of a survey over all its runs; `Pipeline` changes it entry by entry.

    Args:
        station: the station file with which the survey began; with the grid that
            later runs extended.

    Attributes:
        station: the station file in force.
        grid: the cells.
        coverage: which required cells are measured, and the gaps.
        tallies: counts by device.
        survey: identity of the survey, from its first run.
        runs: scanning runs so far.
        opened: when the present run began, ns UTC.
        operators: who scanned in them, as far as the station file or the command names them.
        readings: readings placed so far, on the grid or outside it.
        calibration: by which times of flight become thicknesses, and what was outside it.
        unplaced: readings of earlier runs that no encoder samples bracketed.
        between_lines: readings of earlier runs that belong to no line of a stepped index axis.
        minimum: the minimum thickness, confirmed and raw.
        spurious: doubtful readings and cells, and the places to confirm.
        suspect_cells: calibration checks and the cells that a failed one makes suspect.
        slipped_cells: slips between two sources of a position, and the cells they make suspect.
        notes: operator's notes as (ns UTC, text).
        references: positions that operators set.
        setup: sensitivity checks, and gates changed before runs.
        station_history: the station file of each run, and what it changed.
        lifts: where echoes were absent in this run, and came back.
        pauses: whether readings count now, and why not.
        losses: what a damaged journal has lost.
        requests: zones excluded and gaps requested during the survey.
        revisions: readings discarded or moved, as the marks until now list them.
        applied_revisions: those with which the survey is placed, from its first entry on.
        alarms: the alarms.
        changed: where cells changed, and a listener for them.
        beams: where readings with an echo were taken, by the beams of their probes.
        place_sums: of readings and encoder samples, for the uncertainty of the places.
        crawler: armings, halts and reference of a crawler.
        spots: the spots of a plan without an encoder; None for any other.
        measured_delays: applied to the devices whose station file says ``auto``.
        estimated_delays: what the survey shows of them until now.
        newest_delays: measured by the survey until now, which a later replay applies.
    """

    def __init__(self, station: Station) -> None:
        self.station = station
        scan, index = station.scan_axis, station.index_axis
        names = tuple(channel.name for channel in kept_channels(station))
        self.grid = Grid(scan=scan, index=index, rule=station.survey.cell_rule, channels=names)
        for zone in station.exclude:
            self.grid.exclude(*excluded_cells(zone, scan, index))
        if (form := kept_waveforms(station)) is not None:
            self.grid.keep_waveforms(form.samples, form.dtype)
        self.coverage = Coverage(self.grid, stepped=not station.index_encoded)
        self.minimum = MinimumThickness(self.grid)
        self.spurious = SpuriousWatch(self.grid, apart=station.spots is not None)
        self.suspect_cells = SuspectCells(self.grid, self.coverage)
        self.slipped_cells = SlippedCells(self.grid, self.coverage)
        self.changed = ChangedCells(self.grid.shape[1])
        self.tallies: dict[str, DeviceTally] = {}
        self.survey = ""
        self.runs = 0
        self.opened = 0
        self.operators: list[str] = []
        self.readings = 0
        self.calibration = CalibrationInForce()
        self.unplaced = 0
        self.between_lines = 0
        self.notes: list[tuple[int, str]] = []
        self.references: list[Reference] = []
        self.setup = SetupHistory()
        self.station_history = StationHistory(station)
        self.lifts = self._new_lifts()
        self.pauses = Pauses()
        self.losses = JournalLosses()
        self.requests = OperatorRequests()
        self.revisions = RevisionLog()
        self.applied_revisions = AppliedRevisions((), self.grid)
        self.crawler = CrawlerHistory()
        self.spots: SurveySpots | None = None
        if station.spots is not None:
            self.spots = SurveySpots(
                station,
                station.spots,
                grid=self.grid,
                coverage=self.coverage,
                suspect_cells=self.suspect_cells,
                requests=self.requests,
            )
        self.place_sums = PlaceSums()
        self.beams = ProbeBeams(self.grid)
        self.measured_delays: dict[str, MeasuredDelay] = {}
        self.newest_delays: dict[str, MeasuredDelay] = {}
        self.estimated_delays: dict[str, EstimatedDelay] = {}
        self._alarm_evaluation = AlarmEvaluation(
            station,
            grid=self.grid,
            coverage=self.coverage,
            suspect_cells=self.suspect_cells,
            slipped_cells=self.slipped_cells,
            pauses=self.pauses,
            tallies=self.tallies,
        )
        self.alarms = self._alarm_evaluation.register
        self._inputs: DeviceInputs | None = None
        self._standing = Standing(scan.resolution)
        self._of_probes = no_counts()
        self._rates = RunRates()
        self._delay_watch: DelayWatch | None = None
        self._line = 0
        self._in_doubt = False  # whether the probe did not move on that line so far
        self._now = 0
        self._utc_offset = 0
        self._scanning = False
        self._ended_complete = False
        self._changed_gaps: dict[int, Gap] = {}

    @property
    def delays(self) -> dict[str, int]:
        """Delay in force by device, ns, as taken off its times."""
        return delays_in_force(self.station, self.measured_delays)

    def delay_difference(self, gauge: str) -> int:
        """Return the delay of the gauge less that of the scan axis's encoder, as applied, ns."""
        return self.delays[gauge] - encoder_delay(self.station)

    def delay_snapshots(self) -> dict[str, DelaySnapshot]:
        """Return what is known of the gauge's delay, by its name; empty where no delay matters."""
        return delay_snapshots(
            self.station, self.measured_delays, self.estimated_delays, self.usual_speed
        )

    @property
    def revisions_pending(self) -> bool:
        """Whether marks made or took back a revision with which the survey is to be placed again."""
        return self.revisions.in_force != self.applied_revisions.revisions

    @property
    def revision_counts(self) -> dict[Revision, int | None]:
        """The revisions that the marks until now list, each with the number of its readings.

        None while the survey is not placed with it, or not placed again without it.
        """
        counts: dict[Revision, int | None] = {}
        for one in self.revisions.revisions:
            readings = self.applied_revisions.readings(one.number)
            if one.restored is not None:
                readings = 0 if readings is None else None
            counts[one] = readings
        return counts

    def revision_snapshots(self) -> list[RevisionSnapshot]:
        """Return the revisions that the marks until now list, by number."""
        return [one.snapshot(readings) for one, readings in self.revision_counts.items()]

    @property
    def usual_speed(self) -> float:
        """Usual speed along the scan axis while the probe moves, mm/s; 0 while unknown."""
        return self._rates.usual_speed

    @property
    def line(self) -> int:
        """The line in force on a stepped index axis."""
        return self._inputs.stepped.line if self._inputs and self._inputs.stepped else self._line

    @property
    def position(self) -> tuple[float | None, float | None]:
        """Newest probe position, scan and index in mm; None while unknown."""
        return self._inputs.position if self._inputs else (None, None)

    @property
    def heading(self) -> float | None:
        """By how much the carriage is turned, degrees; 0 where it keeps its direction, None if unknown."""
        turning = self._inputs.heading if self._inputs else None
        return 0.0 if turning is None else turning.position

    @property
    def standing_since(self) -> int | None:
        """From when on readings with an echo were taken where the probe rests, ns UTC.

        None where none was: it has no echo, or moves.
        """
        return None if (at := self._standing.since) is None else at + self._utc_offset

    @property
    def dead_probes(self) -> frozenset[int]:
        """Numbers of the probes that measure nothing now, see `SuspectCells.without`."""
        lost = self._alarm_evaluation.probe_echoes.lost
        return self.suspect_cells.without(lost, len(self.station.probes))

    def waiting_readings(self) -> tuple[Times, Floats]:
        """Return times, ns UTC, and scan positions, mm, of readings whose line is not decided."""
        if self._inputs is None or self._inputs.stepped is None:
            return np.empty(0, np.int64), np.empty(0)
        times, scan = self._inputs.stepped.pending()
        return times + self._utc_offset, scan

    @property
    def lost_axes(self) -> tuple[str, ...]:
        """Names of the axes whose position is lost."""
        return self._inputs.positions.lost if self._inputs else ()

    def no_reference(self, axis: str) -> str | None:
        """Return why the position on an encoded axis cannot be set now; None if it can."""
        return self._inputs.positions.no_reference(axis) if self._inputs else "no run has begun"

    @property
    def speed_limit(self) -> float | None:
        """Highest speed along the scan axis at which no cell is skipped, mm/s; None if unknown."""
        return speed_limit(self._inputs, self.station, self.grid) if self._inputs else None

    @property
    def last_sample_times(self) -> tuple[int | None, int | None]:
        """Host time of the newest sample of scan and index, ns; None where there is none."""
        return self._inputs.last_sample_times if self._inputs else (None, None)

    @property
    def status(self) -> SurveyStatus:
        """``scanning`` during a run, else whether the survey is complete.

        A survey that ended complete is incomplete again once a failed check makes cells suspect.
        """
        if self._scanning:
            return "scanning"
        return "complete" if self._ended_complete and self.target_reached else "incomplete"

    @property
    def utc_offset(self) -> int:
        """Offset from this run's host times to UTC, ns."""
        return self._utc_offset

    @property
    def time(self) -> int:
        """Time of the last entry, ns UTC."""
        return self._now + self._utc_offset

    @property
    def target_reached(self) -> bool:
        """Whether the measured share is the one that the plan requires, and no cell has slipped."""
        if self.slipped_cells.count:
            return False
        # A share is compared as a count of cells: 99.99999 % shown as 100 % is not 100 %.
        coverage = self.coverage
        needed = self.station.survey.target_coverage / 100 * coverage.required
        return coverage.measured >= needed - 1e-9

    def place_budget(self) -> PlaceBudget | None:
        """Return how far readings may be from their true positions along the scan axis.

        None before any reading of a moving probe.
        """
        percent = self.station.scan.scale_uncertainty
        scale = StatedUncertainty(None, "not stated: scan.scale_uncertainty is not given")
        if percent is not None:
            scale = StatedUncertainty(percent / 100, "station file")
        return self.place_sums.budget(
            delay_ns=delay_uncertainty(self.station, self.measured_delays), scale=scale
        )

    def beam_points(self) -> tuple[int, int] | None:
        """Return how many points of the required area a beam has covered, and how many it has.

        None where the width of a beam is not known, and for spots. It takes a moment on a large grid.
        """
        return self.beams.covered()

    def _settle_gaps(self) -> None:
        """Describe the gaps that changed, and remove the ended ones from the requests."""
        for gap in self.coverage.gaps.settle():
            self._changed_gaps[gap.number] = gap
            self.requests.update_gap(gap)

    def take_changed_spans(self) -> dict[int, tuple[int, int]]:
        """Return, by row of the grid, first and last column of what changed since the last call."""
        return self.changed.take_spans()

    def take_gap_snapshots(self) -> list[GapSnapshot]:
        """Return the gaps that changed since the last call, each in its newest state."""
        changed, self._changed_gaps = self._changed_gaps, {}
        return [gap_snapshot(changed[number], self.station) for number in sorted(changed)]

    def open_gap_snapshots(self) -> list[GapSnapshot]:
        """Return the open gaps, by number."""
        return [gap_snapshot(gap, self.station) for gap in self.coverage.gaps.open]

    def gap_snapshots(self) -> list[GapSnapshot]:
        """Return every gap of the survey, open and ended, by number."""
        return [gap_snapshot(gap, self.station) for gap in self.coverage.gaps]

    def line_snapshot(self, row: int) -> LineSnapshot:
        """Return a summary of one line of the grid."""
        return line_snapshot(self.grid, self.coverage, row)

    def spot_snapshots(self) -> tuple[SpotSnapshot, ...]:
        """Return every spot of the plan, in its order; none of a plan with an encoder."""
        if self.spots is None:
            return ()
        return tuple(self.spot_snapshot(spot) for spot in self.spots.register.spots)

    def spot_snapshot(self, spot: Spot) -> SpotSnapshot:
        """Return what is known of a spot."""
        settings = self.station.spots
        return spot_snapshot(spot, self.station, self.grid, settings.couplings if settings else 1)

    def _new_lifts(self) -> LiftWatch:
        return LiftWatch(self.grid.scan, self.grid.index, stepped=not self.station.index_encoded)

    @property
    def _offered_lift(self) -> Lift | None:
        """The lift of a probe in a hand, after which a place is asked for; None without one."""
        by_hand = self.station.motion is None and self.station.spots is None
        return self.lifts.offered if by_hand else None

    def progress(self) -> ProgressSnapshot:
        """Return the progress of the survey at the last entry, its rates at the last instant."""
        unplaced, between, inputs = self.unplaced, self.between_lines, self._inputs
        if inputs is not None:
            unplaced += inputs.placer.unplaced
            between += inputs.stepped.between_lines if inputs.stepped else 0
            if self.status != "scanning":  # what was still pending when the run ended
                unplaced += inputs.placer.pending
        return progress_of(
            time=self.time, station=self.station, grid=self.grid,
            coverage=self.coverage, inputs=inputs, suspect_cells=self.suspect_cells, minimum=self.minimum, spurious=self.spurious,
            rates=self._rates, slipped_cells=self.slipped_cells, lift=self._offered_lift,
            readings=self.readings, unplaced=unplaced,
            between_lines=between, coupled=self._alarm_evaluation.coupled,
            probe_echoes=self._alarm_evaluation.probe_echoes, of_probes=self._of_probes,
            calibration=self.calibration, utc_offset=self._utc_offset,
        )  # fmt: skip
