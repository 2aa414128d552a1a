"""Rounds over the steps of a block, and what is refused in them."""

from __future__ import annotations

import pytest

from swathe.calibration import CalibrationError, StepCoupling
from swathe.calibration.coupling_plan import CouplingPlan

STEPS = (12.7, 5.08)


def take(plan: CouplingPlan, *times: float) -> None:
    """Make the next couplings."""
    for time in times:
        plan.take(StepCoupling(time_of_flight=time))


def test_rounds_go_over_all_steps() -> None:
    """Each step once, then each again; the couplings know their round."""
    plan = CouplingPlan(STEPS, 2)
    assert [(one.number, one.round, one.step) for one in plan.couplings] == [
        (1, 1, 12.7),
        (2, 1, 5.08),
        (3, 2, 12.7),
        (4, 2, 5.08),
    ]
    assert not plan.begun
    assert not plan.lift_needed
    take(plan, 4.70, 2.13)
    assert plan.begun
    assert plan.lift_needed
    assert plan.next is plan.couplings[2]
    take(plan, 4.71, 2.14)
    assert plan.next is None
    thick, thin = plan.readings(u_thickness=0.002)
    assert (thick.thickness, thick.u_thickness) == (12.7, 0.002)
    assert [(one.round, one.time_of_flight) for one in thin.couplings] == [(1, 2.13), (2, 2.14)]
    with pytest.raises(CalibrationError, match="every step is coupled as often"):
        take(plan, 1.0)


def test_one_round_needs_no_lifted_probe() -> None:
    """From one coupling for each step no scatter is taken: the probe may slide to the next."""
    plan = CouplingPlan(STEPS, 1)
    take(plan, 4.7)
    assert plan.begun
    assert not plan.lift_needed


def test_latest_and_any_other_can_be_repeated() -> None:
    """The one before, or one by its number; what was not made cannot be."""
    plan = CouplingPlan(STEPS, 2)
    assert plan.repeat() == "there is no coupling before this one to repeat"
    assert plan.repeat(1) == "there is no coupling 1 to repeat; made are: none"
    take(plan, 4.70, 2.13, 4.71)
    assert plan.repeat() == ""
    assert plan.next is plan.couplings[2]
    assert plan.repeat() == "there is no coupling before this one to repeat"
    assert plan.repeat(1) == ""
    assert plan.next is plan.couplings[0]
    take(plan, 4.72)
    assert plan.repeat(4) == "there is no coupling 4 to repeat; made are: 1, 2"
    take(plan, 4.73, 2.15)
    assert [one.time_of_flight for one in plan.readings()[0].couplings] == [4.72, 4.73]


def test_probe_on_another_step_is_seen() -> None:
    """By what the steps gave before; in the first round nothing is known yet."""
    plan = CouplingPlan(STEPS, 3)
    assert plan.other_step(2.13) is None
    take(plan, 4.70)
    assert plan.other_step(4.70) is None  # step 5.08 mm was not coupled: its first may be anything
    take(plan, 2.13)
    assert plan.other_step(4.75) is None
    assert plan.other_step(2.2) == 5.08
    assert plan.other_step(3.40) == 5.08  # nearer to 2.13 than to 4.70
    assert plan.other_step(3.43) is None
    take(plan, 4.72, 2.15, 4.72, 2.15)
    assert plan.other_step(2.13) is None


@pytest.mark.parametrize(("steps", "rounds"), [((), 3), (STEPS, 0)])
def test_plan_of_nothing_is_refused(steps: tuple[float, ...], rounds: int) -> None:
    """A calibration has a step and a round."""
    with pytest.raises(CalibrationError, match="needs a step and a round"):
        CouplingPlan(steps, rounds)


def test_step_that_was_not_coupled_has_no_reading() -> None:
    """Readings are asked for when all are made."""
    plan = CouplingPlan(STEPS, 1)
    take(plan, 4.7)
    with pytest.raises(CalibrationError, match=r"step 5\.08 mm has no reading"):
        plan.readings()
