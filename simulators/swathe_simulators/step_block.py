"""A probe on a step block: put on one step, lifted off, put on the next."""

from __future__ import annotations

import math

from swathe_simulators.scenario_models import PartModel, StepsModel
from swathe_simulators.trajectory import Piece, Trajectory, travel

SAME_MM = 0.0005
"""A step is meant if its thickness differs by no more from what was said."""


def unknown_steps(part: PartModel, model: StepsModel) -> list[str]:
    """Return what is wrong with the order of the steps, one sentence each."""
    if not part.steps:
        return ["'part.steps' must list the steps that the motion goes over (got nothing)"]
    known = ", ".join(f"{step.thickness_mm:g}" for step in part.steps)
    return [
        f"'motion.order_mm[{number}]' must be the thickness of a step, {known} mm (got {wish:g})"
        for number, wish in enumerate(model.order_mm)
        if _number(part, wish) is None
    ]


def _number(part: PartModel, thickness_mm: float) -> int | None:
    for number, step in enumerate(part.steps):
        if math.isclose(step.thickness_mm, thickness_mm, rel_tol=0.0, abs_tol=SAME_MM):
            return number
    return None


class StepBlock:
    """The moves over the steps of a block; the trajectory's line is the step's number.

    Raises:
        ValueError: the part has no steps, or not those of the order; the text lists them.
    """

    def __init__(self, part: PartModel, model: StepsModel) -> None:
        problems = unknown_steps(part, model)
        if problems:
            raise ValueError("; ".join(problems))
        self._part, self._model = part, model
        self._order = [self.number(wish) for wish in model.order_mm]
        self._order = self._order or list(range(len(part.steps)))

    def number(self, thickness_mm: float) -> int:
        """Return the number of the step of a thickness.

        Raises:
            ValueError: there is none; the text lists those there are.
        """
        number = _number(self._part, thickness_mm)
        if number is None:
            known = ", ".join(f"{step.thickness_mm:g}" for step in self._part.steps)
            raise ValueError(f"no step of {thickness_mm:g} mm; there are: {known} mm")
        return number

    def centre(self, number: int) -> float:
        """Return where along scan the probe is put, mm."""
        step = self._part.steps[number]
        return (step.from_mm + step.to_mm) / 2

    @property
    def last(self) -> float:
        """Where along scan a round ends, mm."""
        return self.centre(self._order[-1])

    def program(self) -> Trajectory:
        """Return the planned motion; of a motion for ever, its first round.

        The probe waits above the first step and is lifted off after the last.
        """
        model = self._model
        scan = start = self.centre(self._order[0])
        pieces = [Piece(model.wait_s, lifted=True)]
        for number in range(model.rounds or 1):
            pieces += self.round_from(scan, number)
            scan = self.last
        if model.rounds is not None:
            pieces.append(self.air(model.rounds - 1))
        return Trajectory(scan=start, index=model.index_mm, pieces=pieces)

    def round_from(self, scan: float, number: int) -> list[Piece]:
        """Return the pieces of a round, the pass `number`; the first has no travel before it."""
        pieces: list[Piece] = []
        for rank, step in enumerate(self._order):
            if rank or number:
                pieces += self.over_to(step, scan, number)
            scan = self.centre(step)
            pieces.append(self.dwell(step, number))
        return pieces

    def over_to(self, step: int, scan: float, number: int) -> list[Piece]:
        """Return the move through the air from a position to a step; it takes `lift_s`."""
        time = self._model.lift_s
        template = Piece(time, lifted=True, pass_number=number)
        displacement = self.centre(step) - scan
        if displacement == 0.0:
            return [template]
        # Half the distance speeding up, half slowing down: s = a·(t/2)² for both together.
        rate = 4.0 * abs(displacement) / time**2
        return travel(displacement, template, limit=math.inf, acceleration=rate)

    def dwell(self, step: int, number: int) -> Piece:
        """Return the time on a step."""
        return Piece(self._model.dwell_s, line=step, pass_number=number)

    def air(self, number: int) -> Piece:
        """Return the time that it takes to lift the probe."""
        return Piece(self._model.lift_s, lifted=True, pass_number=number)
