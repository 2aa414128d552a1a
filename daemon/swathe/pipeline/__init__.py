"""Right of the port: one synchronous, deterministic function of the journal."""

from swathe.pipeline.alarms import Alarm
from swathe.pipeline.asked import WantedGap, Zone
from swathe.pipeline.changes import GapNote, LineNote, Progress
from swathe.pipeline.checks import Check, CheckPhase, CheckStep
from swathe.pipeline.delay import DelayEstimate
from swathe.pipeline.device import DeviceTally
from swathe.pipeline.driven import Driven, Halt
from swathe.pipeline.gaps import GapCause, GapEnd
from swathe.pipeline.grid import CellState, Grid
from swathe.pipeline.pipeline import Pipeline
from swathe.pipeline.place import Placed, Way
from swathe.pipeline.regions import runs_of
from swathe.pipeline.watcher import Watcher

__all__ = [
    "Alarm",
    "CellState",
    "Check",
    "CheckPhase",
    "CheckStep",
    "DelayEstimate",
    "DeviceTally",
    "Driven",
    "GapCause",
    "GapEnd",
    "GapNote",
    "Grid",
    "Halt",
    "LineNote",
    "Pipeline",
    "Placed",
    "Progress",
    "WantedGap",
    "Watcher",
    "Way",
    "Zone",
    "runs_of",
]
