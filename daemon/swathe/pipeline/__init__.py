"""Right of the port: one synchronous, deterministic function of the journal."""

from swathe.pipeline.changes import GapNote, LineNote, Progress
from swathe.pipeline.checks import Check, CheckPhase, CheckStep
from swathe.pipeline.delay import DelayEstimate
from swathe.pipeline.device import DeviceTally
from swathe.pipeline.gaps import GapCause, GapEnd
from swathe.pipeline.grid import CellState, Grid
from swathe.pipeline.pipeline import Pipeline, Watcher
from swathe.pipeline.place import Placed, Way
from swathe.pipeline.regions import runs_of

__all__ = [
    "CellState",
    "Check",
    "CheckPhase",
    "CheckStep",
    "DelayEstimate",
    "DeviceTally",
    "GapCause",
    "GapEnd",
    "GapNote",
    "Grid",
    "LineNote",
    "Pipeline",
    "Placed",
    "Progress",
    "Watcher",
    "Way",
    "runs_of",
]
