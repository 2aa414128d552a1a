"""A device's lines: on its clock, from its seed, in whatever batches."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from swathe_simulators.couplant import Couplant
from swathe_simulators.device import Device
from swathe_simulators.faults import CouplingFaults, WheelSlip
from swathe_simulators.motion import Motion
from swathe_simulators.part import Part
from swathe_simulators.scenario_models import Scenario
from swathe_simulators.trajectory import Trajectory
from swathe_simulators.truth import Rows


def make(scenario: Scenario, number: int, *, seed: int = 9, speed: float = 1.0) -> Device:
    """Return a device of a scenario, without a world around it."""
    part = Part(scenario.part, np.random.default_rng(1))
    return Device(
        scenario.device[number],
        seed=np.random.SeedSequence(seed),
        speed=speed,
        part=part,
        coupling=CouplingFaults(part, scenario.motion, []),
        slip=WheelSlip([]),
        couplant=Couplant(scenario.motion, np.random.default_rng(seed)),
    )


def way_of(scenario: Scenario) -> Trajectory:
    """Return the planned motion."""
    return Motion(scenario.part, scenario.motion, np.random.default_rng(1)).trajectory


def run(device: Device, displacement: Trajectory, ends: list[float]) -> tuple[Rows, bytes]:
    """Let a device make its lines in batches that end at some times."""
    device.restart(0.0)
    batches = [device.produce(end, displacement, 0.0) for end in ends]
    rows = np.concatenate([batch.rows for batch in batches])
    return rows, b"".join(line for batch in batches for line in batch.lines)


@pytest.mark.parametrize("number", [0, 1])
def test_produce_same_seed_same_bytes_in_any_batches(small: Scenario, number: int) -> None:
    """How samples fall into batches changes no byte and no time; another seed does."""
    displacement = way_of(small)
    whole, data = run(make(small, number), displacement, [5.0])
    ends = [0.003, 0.004, 0.7, 0.701, 2.0, 4.9, 5.0]
    parts, again = run(make(small, number), displacement, ends)
    assert data == again
    for field in ("sequence", "world_time_s", "clock_us", "length", "pass_number"):
        assert np.array_equal(whole[field], parts[field])
    assert parts["due_s"] == pytest.approx(whole["due_s"], abs=1e-9)
    other, _ = run(make(small, number, seed=10), displacement, [5.0])
    assert not np.array_equal(whole["due_s"], other["due_s"])


def test_produce_after_idling_draws_the_same(small: Scenario) -> None:
    """Lines before the start use up nothing of what the motion's lines draw."""
    displacement = way_of(small)
    straight = make(small, 1)
    straight.restart(0.0)
    first = straight.produce(1.0, displacement, 0.0)
    idled = make(small, 1)
    before = idled.produce(0.5, displacement, None)
    idled.restart(0.5)
    second = idled.produce(1.5, displacement, 0.5)
    assert len(before.lines) == 30
    columns = [
        [line.split(b"*")[0].split(b",")[2:] for line in batch.lines] for batch in (first, second)
    ]
    assert columns[0] == columns[1]
    assert second.rows["sequence"][0] == 30


def test_produce_counts_agree_with_truth(small: Scenario) -> None:
    """Counts in the bytes are those of the true place at that sample."""
    rows, data = run(make(small, 0), way_of(small), [6.0])
    fields = [line.split(b"*")[0].split(b",") for line in data.splitlines()]
    scan = np.array([int(field[2]) for field in fields])
    index = np.array([int(field[3]) for field in fields])
    assert np.abs(scan - np.floor(rows["scan_mm"] * 26.07)).max() == 0
    assert np.abs((index + 0.5) / 40 - rows["index_mm"]).max() <= 0.5 / 40 + 1e-9
    assert np.ptp(scan) > 60 * 26


def test_produce_time_of_flight_agrees_with_wall(small: Scenario) -> None:
    """Read back by the material's velocity, readings scatter about the true wall."""
    rows, data = run(make(small, 1), way_of(small), [6.0])
    flight = np.array([float(line.split(b",")[2]) for line in data.splitlines()])
    thickness = (flight - 0.42) * 5.92 / 2
    error = thickness - rows["thickness_mm"]
    sigma = 0.004 * 5.92 / 2
    assert abs(error.mean()) < 6 * sigma / len(error) ** 0.5
    assert error.std() == pytest.approx(sigma, rel=0.2)


def test_produce_due_never_before_delay_and_transmission(small: Scenario) -> None:
    """A line is through no sooner than its delay and its bytes at 10 bits each allow."""
    rows, _ = run(make(small, 1), way_of(small), [60.0])
    took = rows["due_s"] - rows["world_time_s"]
    least = 0.009 + rows["length"] * 10 / 57600
    assert np.all(took >= least - 1e-12)
    assert (took - least).mean() == pytest.approx(3e-3, rel=0.2)
    assert np.all(np.diff(rows["due_s"]) > 0)


def test_produce_speed_changes_only_the_clock(small: Scenario) -> None:
    """A fast world has the same samples; its clocks tick in real time."""
    displacement = way_of(small)
    slow, _ = run(make(small, 0), displacement, [5.0])
    fast, _ = run(make(small, 0, speed=20), displacement, [5.0])
    for field in ("world_time_s", "scan_mm", "index_mm", "scan_counts"):
        assert np.array_equal(slow[field], fast[field])
    assert np.ptp(fast["clock_us"]) == pytest.approx(np.ptp(slow["clock_us"]) / 20, abs=1)
    assert np.ptp(slow["clock_us"]) == pytest.approx(4.995e6 * (1 - 35e-6), abs=2)


def test_produce_sampling_jitter_keeps_order(scenario_data: dict[str, Any]) -> None:
    """However large the jitter, samples come in order and keep their mean rate."""
    scenario_data["device"][0]["sampling_jitter_us"] = 4000
    scenario = Scenario.model_validate(scenario_data)
    rows, _ = run(make(scenario, 0), way_of(scenario), [10.0])
    steps = np.diff(rows["world_time_s"])
    assert steps.min() > 0
    assert steps.std() > 1e-3
    assert len(rows) == 2000


def test_example_is_a_line_and_changes_nothing(small: Scenario) -> None:
    """The example has the columns that are told, is always the same and uses up nothing."""
    displacement = way_of(small)
    device = make(small, 1)
    example = device.example(displacement)
    assert device.example(displacement) == example
    assert len(example.split(",")) == len(device.columns())
    assert run(device, displacement, [2.0])[1] == run(make(small, 1), displacement, [2.0])[1]
