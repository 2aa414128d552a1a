"""The motion of a world: what was planned, and what is added or changed while it runs."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.moves import lines_of, program
from swathe_simulators.scenario_models import MotionModels, PartModel, StepsModel
from swathe_simulators.step_block import StepBlock
from swathe_simulators.trajectory import Trajectory

_ROUNDS_AT_ONCE = 16
"""Rounds that are added together, as each addition computes all columns again."""


class Motion:
    """A trajectory that its scenario, a controller or a hand goes on with.

    Not safe to change from two threads at once; reading `trajectory` always is. All times
    are seconds since the motion's start. `not_before_s` is the time up to which lines were
    made: the motion before it can't change any more.

    Args:
        part: where the steps are, if the motion goes over some.
        model: the motion's.
        random: what the hand draws from.

    Raises:
        ValueError: the motion can't be driven, or the part has not its steps; the text
            tells which.
    """

    def __init__(self, part: PartModel, model: MotionModels, random: np.random.Generator) -> None:
        self._model = model
        self._endless = False
        if isinstance(model, StepsModel):
            self._block = StepBlock(part, model)
            self.trajectory = self._block.program()
            self._lines = np.array([model.index_mm])
            self._endless = model.rounds is None
        elif isinstance(model, CommandedModel):
            self.trajectory = Trajectory(scan=model.start_scan_mm, index=model.start_index_mm)
            lines = np.arange(model.index_count) * model.index_step_mm
            self._lines = model.index_start_mm + lines
        else:
            self.trajectory = program(model, random)
            self._lines = lines_of(model)
        # Nobody but its commander knows when a commanded crawler is done.
        commanded = isinstance(model, CommandedModel)
        self._plan_end_s = math.inf if commanded else self.trajectory.end_s

    @property
    def lines_mm(self) -> npt.NDArray[np.float64]:
        """Index positions of the scenario's lines, in mm."""
        return self._lines.copy()

    @property
    def plan_end_s(self) -> float:
        """When the planned motion is over; infinite if it goes on for ever."""
        return math.inf if self._endless else self._plan_end_s

    @property
    def end_s(self) -> float:
        """When all moves known by now are over; infinite if there are always more."""
        return math.inf if self._endless else self.trajectory.end_s

    def keep_ahead(self, until_s: float) -> None:
        """See to it that a motion for ever is known until a time."""
        while self._endless and self.trajectory.end_s < until_s:
            pieces = []
            scan, first = self._here(), self.trajectory.last_pass + 1
            for number in range(first, first + _ROUNDS_AT_ONCE):
                pieces += self._block.round_from(scan, number)
                scan = self._block.last
            self.trajectory.append(pieces)

    def put_on(self, step_mm: float, *, not_before_s: float) -> float:
        """Give up the plan and put the probe on a step, where it stays; return when it is there.

        Raises:
            RuntimeError: the scenario has no step block; its motion is not to be led.
            ValueError: there is no such step; the text lists those there are.
        """
        block = self._led()
        step = block.number(step_mm)
        self.trajectory.cut(not_before_s)
        number = self.trajectory.last_pass
        over = block.over_to(step, self._here(), number)
        self.trajectory.append(over, not_before_s=not_before_s)
        there = self.trajectory.end_s
        self.trajectory.append([block.dwell(step, number)])
        self._plan_ends(there)
        return there

    def lift_off(self, *, not_before_s: float) -> float:
        """Give up the plan and hold the probe in the air; return when it is off the block.

        Raises:
            RuntimeError: the scenario has no step block; its motion is not to be led.
        """
        block = self._led()
        self.trajectory.cut(not_before_s)
        off = max(not_before_s, self.trajectory.end_s)
        self.trajectory.append([block.air(self.trajectory.last_pass)], not_before_s=off)
        self._plan_ends(off)
        return off

    def _led(self) -> StepBlock:
        if not isinstance(self._model, StepsModel):
            raise RuntimeError(
                f"a motion of kind {self._model.kind} is not to be led by hand; "
                "run a scenario whose motion is of kind steps"
            )
        return self._block

    def _plan_ends(self, at_s: float) -> None:
        # In this order: another thread must not read the end of the first round between.
        self._plan_end_s = at_s
        self._endless = False

    def _here(self) -> float:
        return float(self.trajectory.at([self.trajectory.end_s]).scan[0])
