"""The couplant film of each coupling on a step block."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swathe_simulators import builtin_scenario, load_scenario
from swathe_simulators.couplant import Couplant, contact_at, couplings
from swathe_simulators.device import Device
from swathe_simulators.faults import CouplingFaults, WheelSlip
from swathe_simulators.motion import Motion
from swathe_simulators.part import Part
from swathe_simulators.scenario_models import RasterModel, Scenario, StepsModel

BLOCK = load_scenario(builtin_scenario("block"))


def steps(**keys: Any) -> StepsModel:
    """Return a motion of 2 s per step and 0.5 s in the air, after 1 s of waiting."""
    plain = {"kind": "steps", "dwell_s": 2, "lift_s": 0.5, "wait_s": 1, "coupling_ns": 10}
    return StepsModel.model_validate(plain | keys)


def test_each_coupling_has_a_film_of_its_own() -> None:
    """Constant while the probe is on the step, another one the next time, none in the air."""
    model = steps()
    led = Motion(BLOCK.part, model, np.random.default_rng(1))
    led.keep_ahead(60.0)
    film = Couplant(model, np.random.default_rng(2))
    # The n-th coupling is from 1 + 2.5 n s on for 2 s.
    times = (1.0 + 2.5 * np.arange(16)[:, None] + np.array([0.01, 1.0, 1.99])).ravel()
    late = film.late_us(led.trajectory.table, led.trajectory.at(times)).reshape(16, 3)
    assert np.ptp(late, axis=1).max() == 0.0
    assert np.unique(late[:, 0]).size == 16
    in_air = led.trajectory.at([0.5, *(3.25 + 2.5 * np.arange(8))])
    assert not film.late_us(led.trajectory.table, in_air).any()
    # What is added later changes nothing of it.
    led.put_on(5.08, not_before_s=50.0)
    again = film.late_us(led.trajectory.table, led.trajectory.at(times)).reshape(16, 3)
    assert np.array_equal(again, late)


def test_films_scatter_as_the_scenario_says() -> None:
    """4,096 of them with a standard deviation of 10 ns; without a number there is none."""
    model = steps()
    led = Motion(BLOCK.part, model, np.random.default_rng(1))
    led.keep_ahead(2000.0)
    table = led.trajectory.table
    on_step = led.trajectory.at(2.0 + 2.5 * np.arange(800))
    late = Couplant(model, np.random.default_rng(2)).late_us(table, on_step)
    assert late.std() == pytest.approx(0.010, rel=0.1)
    none = Couplant(steps(coupling_ns=0), np.random.default_rng(2))
    assert not none.late_us(table, on_step).any()


def test_put_on_the_same_step_again_is_another_coupling() -> None:
    """Couplings count how often the probe came out of the air."""
    model = steps()
    scenario = BLOCK.model_copy(update={"motion": model})
    led = Motion(BLOCK.part, model, np.random.default_rng(1))
    first = led.put_on(5.08, not_before_s=0.5)
    second = led.put_on(5.08, not_before_s=first + 5.0)
    found = [contact_at(scenario, led.trajectory, time + 0.01) for time in (first, second)]
    assert [(one.step_mm, one.coupling) for one in found if one] == [(5.08, 1), (5.08, 2)]
    assert contact_at(scenario, led.trajectory, second - 0.01) is None
    assert couplings(led.trajectory.table)[-1] == 2


def test_motion_off_a_block_has_neither_film_nor_contact(scenario_data: dict[str, Any]) -> None:
    """A raster is not on a step."""
    scenario = Scenario.model_validate(scenario_data)
    assert isinstance(scenario.motion, RasterModel)
    led = Motion(scenario.part, scenario.motion, np.random.default_rng(1))
    states = led.trajectory.at(np.linspace(0, 10, 50))
    film = Couplant(scenario.motion, np.random.default_rng(2))
    assert not film.late_us(led.trajectory.table, states).any()
    assert contact_at(scenario, led.trajectory, 5.0) is None


@pytest.mark.parametrize("value", ["time_of_flight", "thickness"])
def test_gauge_reads_the_film(value: str) -> None:
    """What it sends of a step in two couplings differs from the wall by the films, in µs or in mm."""
    model = steps(coupling_ns=50, order_mm=[5.08], rounds=2)
    noiseless = {"value": value, "noise_us": 0.0, "noise_mm": 0.0}
    gauge = BLOCK.device[0].model_copy(update=noiseless)
    motion = Motion(BLOCK.part, model, np.random.default_rng(1))
    couplant = Couplant(model, np.random.default_rng(2))
    part = Part(BLOCK.part, np.random.default_rng(3))
    device = Device(
        gauge,
        seed=np.random.SeedSequence(4),
        speed=1.0,
        part=part,
        coupling=CouplingFaults(part, model, []),
        slip=WheelSlip([]),
        couplant=couplant,
    )
    device.restart(0.0)
    batch = device.produce(6.0, motion.trajectory, 0.0)
    sent = [line.decode().split("*")[0].split(",") for line in batch.lines]
    shown = np.array([float(fields[2]) for fields in sent if fields[4] == "E"])
    rows = batch.rows[batch.rows["valid"]]
    states = motion.trajectory.at(rows["world_time_s"])
    late = couplant.late_us(motion.trajectory.table, states)
    assert np.unique(late).size == 2
    velocity = BLOCK.part.velocity_mm_per_us
    if value == "thickness":
        assert shown == pytest.approx(5.08 + late * velocity / 2, abs=0.00051)
    else:
        assert shown == pytest.approx(0.42 + 2 * 5.08 / velocity + late, abs=0.000051)
