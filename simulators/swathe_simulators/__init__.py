"""A simulated pipe wall, its scanner and its instruments, served as real ports.

The package knows nothing of the daemon: it meets it as bytes on a pseudo terminal or a
TCP port. Lengths are millimetres, times of flight
microseconds, world times seconds.
"""

from swathe_simulators.outlet import DeviceInfo
from swathe_simulators.recording import Recording, record
from swathe_simulators.scenario import (
    ScenarioError,
    builtin_scenario,
    builtin_scenarios,
    load_scenario,
)
from swathe_simulators.scenario_models import Scenario
from swathe_simulators.truth import TruthLog, load_truth
from swathe_simulators.world import World

__all__ = [
    "DeviceInfo",
    "Recording",
    "Scenario",
    "ScenarioError",
    "TruthLog",
    "World",
    "builtin_scenario",
    "builtin_scenarios",
    "load_scenario",
    "load_truth",
    "record",
]
