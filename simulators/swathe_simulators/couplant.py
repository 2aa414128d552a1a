"""The couplant film under the probe: another one each time the probe is put on a step of the block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe_simulators.base import Floats, Ints
from swathe_simulators.scenario_models import MotionModels, Scenario, StepsModel
from swathe_simulators.trajectory import PieceTable, States, Trajectory

_FILMS = 4096
"""So many couplings have films of their own; then they come again."""


@dataclass(frozen=True, slots=True)
class Contact:
    """The probe on a step of the block.

    Attributes:
        step_mm: thickness of the step.
        coupling: how often the probe was put on a step by now, from 1.
    """

    step_mm: float
    coupling: int


class Couplant:
    """What the film adds to the time of flight, normal with the motion's `coupling_ns`.

    The n-th coupling has the same film whenever it is made; every device has that of the one probe.
    Motions other than over the steps of a block have none.
    """

    def __init__(self, model: MotionModels, random: np.random.Generator) -> None:
        sd_us = model.coupling_ns / 1000.0 if isinstance(model, StepsModel) else 0.0
        self._films_us = sd_us * random.standard_normal(_FILMS)

    def late_us(self, table: PieceTable, states: States) -> Floats:
        """Return what each reading is late by, µs, shape (n,); may be negative."""
        number = couplings(table)[states.piece]
        films = self._films_us[number % _FILMS]
        return np.where(states.lifted, 0.0, films)


def couplings(table: PieceTable) -> Ints:
    """Return how often the probe was put on until the end of each piece, shape (pieces,)."""
    landed = table.lifted[:-1] & ~table.lifted[1:]
    return np.concatenate(([0], np.cumsum(landed)))


def contact_at(scenario: Scenario, trajectory: Trajectory, since_s: float) -> Contact | None:
    """Return what the probe is on so long after the motion's start; None in the air or off a block."""
    if not isinstance(scenario.motion, StepsModel):
        return None
    states = trajectory.at([since_s])
    line = int(states.line[0])
    if line < 0 or states.lifted[0]:
        return None
    number = int(couplings(trajectory.table)[states.piece[0]])
    return Contact(step_mm=scenario.part.steps[line].thickness_mm, coupling=number)
