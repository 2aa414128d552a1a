"""What goes wrong on purpose: lost coupling and a slipping wheel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from swathe_simulators.base import Bools, Floats
from swathe_simulators.part import Part, inside
from swathe_simulators.scenario_models import (
    CouplingLossModel,
    HandModel,
    MotionModels,
    SlipModel,
)
from swathe_simulators.trajectory import PieceTable, States


class CouplingFaults:
    """Where the probe has an echo: not lifted, not over an obstruction, coupled."""

    def __init__(
        self, part: Part, motion: MotionModels, losses: Sequence[CouplingLossModel]
    ) -> None:
        self._part = part
        self._losses = list(losses)
        if isinstance(motion, HandModel):
            everywhere = (-np.inf, np.inf)
            self._losses += [
                CouplingLossModel.model_construct(
                    kind="coupling_loss", scan_mm=span, index_mm=everywhere, until="revisit"
                )
                for span in motion.lift_off_mm
            ]

    def echo(self, states: States) -> Bools:
        """Return, shape (n,), whether a reading in this state has an echo."""
        lost = states.lifted | self._part.obstructed(states.scan, states.index)
        for loss in self._losses:
            there = inside(loss, states.scan, states.index)
            if loss.until == "revisit":
                there &= states.pass_number == 0
            lost |= there
        result: Bools = ~lost
        return result


class WheelSlip:
    """The distance that the encoder wheel did not turn, as an exact function of the motion.

    What is lost stays lost until the same stretch is driven in the other direction under the same
    fault: a wheel has no memory of where it slipped.
    """

    def __init__(self, slips: Sequence[SlipModel]) -> None:
        self._slips = list(slips)
        self._prepared: tuple[PieceTable, list[tuple[SlipModel, Bools, Floats]]] | None = None

    def _columns(self, table: PieceTable) -> list[tuple[SlipModel, Bools, Floats]]:
        """Return, per slip, where it acts and what was lost before each piece; kept."""
        if self._prepared is not None and self._prepared[0] is table:
            return self._prepared[1]
        columns = []
        for slip in self._slips:
            active = np.ones(len(table.start_s), dtype=np.bool_)
            if slip.index_mm is not None:
                active &= (table.index >= slip.index_mm[0]) & (table.index <= slip.index_mm[1])
            if slip.until == "revisit":
                active &= table.pass_number == 0
            displacement = np.clip(table.scan_end, *slip.scan_mm) - np.clip(
                table.scan, *slip.scan_mm
            )
            lost = np.where(active, displacement, 0.0) * (1.0 - slip.factor)
            columns.append((slip, active, np.concatenate(([0.0], np.cumsum(lost)[:-1]))))
        self._prepared = (table, columns)
        return columns

    def lost(self, table: PieceTable, states: States) -> Floats:
        """Return, shape (n,), the mm by which the wheel's turn falls short of the scan position."""
        total: Floats = np.zeros(states.scan.shape)
        k = states.piece
        for slip, active, before in self._columns(table):
            displacement = np.clip(states.scan, *slip.scan_mm) - np.clip(
                table.scan[k], *slip.scan_mm
            )
            total += before[k] + np.where(active[k], displacement * (1.0 - slip.factor), 0.0)
        return total
