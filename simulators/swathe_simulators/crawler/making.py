"""The crawler that a scenario asks for."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from swathe_simulators.crawler.machine import Crawler
from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.ports import make_port
from swathe_simulators.scenario_models import Scenario
from swathe_simulators.trajectory import Trajectory


def make_crawler(
    scenario: Scenario, trajectory: Trajectory, folder: Path, seed: np.random.SeedSequence
) -> Crawler | None:
    """Return the crawler of a scenario, its port still closed; None if it is not commanded."""
    model = scenario.motion
    if not isinstance(model, CommandedModel):
        return None
    port = make_port(model.port, name=model.name, folder=folder)
    return Crawler(model, trajectory=trajectory, port=port, seed=seed)
