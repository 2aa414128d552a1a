"""Lost coupling and a slipping wheel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from swathe_simulators.faults import CouplingFaults, WheelSlip
from swathe_simulators.part import Part
from swathe_simulators.scenario_models import (
    CouplingLossModel,
    HandModel,
    PartModel,
    RectangleModel,
    SlipModel,
)
from swathe_simulators.trajectory import Piece, Trajectory, travel


def drive(*targets: tuple[float, int]) -> Trajectory:
    """Drive from 0 along scan to each place, in the pass that is given with it."""
    displacement = Trajectory(scan=0, index=0)
    here = 0.0
    for target, number in targets:
        template = Piece(0.0, pass_number=number)
        displacement.append(travel(target - here, template, limit=50, acceleration=200))
        here = target
    return displacement


def wall(*obstructions: RectangleModel) -> Part:
    """Return a plain wall."""
    model = PartModel(
        outside_diameter_mm=2200,
        nominal_mm=14,
        scan_mm=(0, 100),
        index_mm=(0, 10),
        obstructions=list(obstructions),
    )
    return Part(model, np.random.default_rng(0))


LINE = HandModel(
    kind="hand",
    scan_start_mm=0,
    scan_end_mm=100,
    min_speed_mm_per_s=10,
    max_speed_mm_per_s=50,
    lift_off_mm=[(80, 90)],
)


@pytest.mark.parametrize(("until", "second"), [("revisit", True), ("always", False)])
def test_echo_coupling_loss_until_revisit(until: str, second: bool) -> None:
    """A loss until the revisit is gone on the second pass, a lasting one is not."""
    loss = CouplingLossModel.model_validate(
        {"kind": "coupling_loss", "scan_mm": [20, 30], "index_mm": [-1, 1], "until": until}
    )
    displacement = drive((60, 0), (0, 1))
    states = displacement.at(np.linspace(0, displacement.end_s, 2000))
    echo = CouplingFaults(wall(), LINE, [loss]).echo(states)
    inside = (states.scan >= 20) & (states.scan <= 30)
    first = states.pass_number == 0
    assert not echo[inside & first].any()
    assert np.all(echo[inside & ~first] == second)
    assert echo[~inside].all()


def test_echo_lifted_obstructed_or_lift_off_is_lost() -> None:
    """No echo over a lug in any pass, while lifted, and where the hand lifted the probe."""
    lug = RectangleModel(scan_mm=(40, 50), index_mm=(-5, 5))
    displacement = drive((100, 0), (0, 1))
    states = displacement.at(np.linspace(0, displacement.end_s, 4000))
    coupling = CouplingFaults(wall(lug), LINE, [])
    echo = coupling.echo(states)
    over_lug = (states.scan >= 40) & (states.scan <= 50)
    lift = (states.scan >= 80) & (states.scan <= 90) & (states.pass_number == 0)
    assert np.array_equal(echo, ~(over_lug | lift))
    up = replace(states, lifted=np.ones(len(states.scan), dtype=np.bool_))
    assert not coupling.echo(up).any()


def test_lost_is_integral_of_slipping_speed() -> None:
    """What the wheel misses is the integral of (1 - factor)·speed inside the stretch."""
    slip = SlipModel(kind="slip", scan_mm=(20, 40), factor=0.7, until="revisit")
    displacement = drive((60, 0), (30, 0), (80, 0), (0, 1))
    time = np.linspace(0, displacement.end_s, 200_001)
    states = displacement.at(time)
    lost = WheelSlip([slip]).lost(displacement.table, states)
    acting = (states.scan >= 20) & (states.scan <= 40) & (states.pass_number == 0)
    rate = np.where(acting, 0.3 * states.scan_speed, 0.0)
    steps = (rate[1:] + rate[:-1]) / 2 * np.diff(time)
    integral = np.concatenate(([0.0], np.cumsum(steps)))
    assert np.abs(lost - integral).max() < 5e-3
    assert lost[-1] == pytest.approx(0.3 * 20)


def test_lost_keeps_up_with_growing_trajectory() -> None:
    """Moves that are added later slip, too."""
    slip = WheelSlip([SlipModel(kind="slip", scan_mm=(20, 40), factor=0.5, until="always")])
    displacement = drive((30, 0))
    assert slip.lost(displacement.table, displacement.at([displacement.end_s])) == pytest.approx(
        [5]
    )
    displacement.append(travel(30, Piece(0.0, pass_number=1), limit=50, acceleration=200))
    assert slip.lost(displacement.table, displacement.at([displacement.end_s])) == pytest.approx(
        [10]
    )
