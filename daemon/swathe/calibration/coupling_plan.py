"""Couplings of the steps of a block in rounds: which is next, which can be used, which is repeated.

In rounds over all steps, so that a drift of block, couplant or hand falls on every step alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from swathe.calibration.couplings import StepCoupling
from swathe.calibration.step_reading import StepReading
from swathe.errors import CalibrationError

__all__ = ["NOT_LIFTED", "CouplingPlan", "PlannedCoupling"]

NOT_LIFTED = (
    "the echo was never away since the coupling before, so the probe was not lifted; without lifting "
    "it there is no independent coupling: take it off the block and put it on again; with an instrument "
    "that repeats its last value without an echo, state uncertainty.coupling and use --couplings 1"
)


@dataclass(slots=True)
class PlannedCoupling:
    """A coupling to be made, or made.

    Attributes:
        number: in the order of the rounds, from 1.
        round: from 1.
        step: thickness by the block's certificate, mm.
        taken: what was read; None until then.
    """

    number: int
    round: int
    step: float
    taken: StepCoupling | None = None


class CouplingPlan:
    """The couplings of all steps.

    Args:
        steps: thicknesses, mm, in the order in which they are coupled.
        rounds: couplings of each.

    Raises:
        CalibrationError: no step or no round.
    """

    def __init__(self, steps: Sequence[float], rounds: int) -> None:
        if not steps or rounds < 1:
            msg = (
                f"a calibration needs a step and a round (got {len(steps)} steps, {rounds} rounds)"
            )
            raise CalibrationError(msg)
        self.rounds = rounds
        self.couplings = tuple(
            PlannedCoupling(number=number * len(steps) + k + 1, round=number + 1, step=step)
            for number in range(rounds)
            for k, step in enumerate(steps)
        )
        self._latest: PlannedCoupling | None = None

    @property
    def next(self) -> PlannedCoupling | None:
        """The coupling to be made: the first that is missing; None where none is."""
        return next((one for one in self.couplings if one.taken is None), None)

    @property
    def begun(self) -> bool:
        """Whether a coupling was made."""
        return self._latest is not None

    @property
    def lift_needed(self) -> bool:
        """Whether the probe has to be lifted before the next coupling.

        Of one coupling for each step no scatter is taken, so that it may slide from step to step.
        """
        return self.begun and self.rounds > 1

    def take(self, coupling: StepCoupling) -> None:
        """Keep what was read in the next coupling; its round becomes that of the plan.

        Raises:
            CalibrationError: none is missing.
        """
        planned = self.next
        if planned is None:
            raise CalibrationError(
                "every step is coupled as often as asked for: calibrate, or repeat one"
            )
        planned.taken = replace(coupling, round=planned.round)
        self._latest = planned

    def repeat(self, number: int | None = None) -> str:
        """Drop a coupling, so that it is the next one; return why not, empty where it is dropped.

        Args:
            number: of the coupling; None for the one taken last.
        """
        if number is None:
            if self._latest is None or self._latest.taken is None:
                return "there is no coupling before this one to repeat"
            number = self._latest.number
        made = [one for one in self.couplings if one.taken is not None]
        found = next((one for one in made if one.number == number), None)
        if found is None:
            known = ", ".join(str(one.number) for one in made) or "none"
            return f"there is no coupling {number} to repeat; made are: {known}"
        found.taken = None
        return ""

    def other_step(self, time_of_flight: float) -> float | None:
        """Return the step (mm) whose couplings a time (µs) fits better than those of the next step.

        None where it fits the next step best, or that step was not coupled before: then nothing can be
        said.
        """
        planned = self.next
        means = self._means()
        if planned is None or planned.step not in means:
            return None
        nearest = min(means, key=lambda step: abs(means[step] - time_of_flight))
        return None if nearest == planned.step else nearest

    def _means(self) -> dict[float, float]:
        times: dict[float, list[float]] = {}
        for one in self.couplings:
            if one.taken is not None:
                times.setdefault(one.step, []).append(one.taken.time_of_flight)
        return {step: math.fsum(found) / len(found) for step, found in times.items()}

    def readings(self, *, u_thickness: float = 0.0) -> list[StepReading]:
        """Return the readings of each step, in the order of the steps.

        Args:
            u_thickness: standard uncertainty of the block's thicknesses, mm.

        Raises:
            CalibrationError: a step was not coupled.
        """
        steps = dict.fromkeys(one.step for one in self.couplings)
        return [
            StepReading.of_couplings(
                step,
                [one.taken for one in self.couplings if one.step == step and one.taken is not None],
                u_thickness=u_thickness,
            )
            for step in steps
        ]
