"""Right of the port: one synchronous, deterministic function of the journal."""

from swathe.pipeline.alarms.register import Alarm
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.gap_causes import GapCause, causes_of
from swathe.pipeline.cells.gaps import Gap, GapEnd
from swathe.pipeline.cells.grid import CellState, Grid
from swathe.pipeline.cells.known_times import EARLIEST_NS
from swathe.pipeline.cells.regions import runs_of
from swathe.pipeline.checks.register import Check, CheckPhase, CheckStep
from swathe.pipeline.crawler_history import CRAWLER, CrawlerHistory, FirstMoveResult, Halt
from swathe.pipeline.operator_requests import ExcludedZone, RequestedGap
from swathe.pipeline.pipeline import Pipeline
from swathe.pipeline.placing.delay import DelayEstimate
from swathe.pipeline.placing.delays_in_force import EstimatedDelay, MeasuredDelay
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.fates import ReadingFate, ReadingObserver
from swathe.pipeline.placing.placed import Placed, PlacingObserver, ProbePath
from swathe.pipeline.placing.reading_keys import keys_of, rows_before
from swathe.pipeline.progress.revision_snapshots import RevisionSnapshot
from swathe.pipeline.progress.snapshots import (
    GapSnapshot,
    LineNow,
    LineSnapshot,
    ProgressSnapshot,
)
from swathe.pipeline.revisions import Revision, RevisionLog
from swathe.pipeline.spots.register import CouplingState, Spot, SpotState
from swathe.pipeline.spots.snapshot import (
    CouplingSnapshot,
    SpotNowSnapshot,
    SpotSnapshot,
    spot_now,
)
from swathe.pipeline.spots.survey_spots import SurveySpots

__all__ = [
    "CRAWLER",
    "EARLIEST_NS",
    "Alarm",
    "CellState",
    "Check",
    "CheckPhase",
    "CheckStep",
    "CouplingSnapshot",
    "CouplingState",
    "Coverage",
    "CrawlerHistory",
    "DelayEstimate",
    "DeviceTally",
    "EstimatedDelay",
    "ExcludedZone",
    "FirstMoveResult",
    "Gap",
    "GapCause",
    "GapEnd",
    "GapSnapshot",
    "Grid",
    "Halt",
    "LineNow",
    "LineSnapshot",
    "MeasuredDelay",
    "Pipeline",
    "Placed",
    "PlacingObserver",
    "ProbePath",
    "ProgressSnapshot",
    "ReadingFate",
    "ReadingObserver",
    "RequestedGap",
    "Revision",
    "RevisionLog",
    "RevisionSnapshot",
    "Spot",
    "SpotNowSnapshot",
    "SpotSnapshot",
    "SpotState",
    "SurveySpots",
    "causes_of",
    "keys_of",
    "rows_before",
    "runs_of",
    "spot_now",
]
