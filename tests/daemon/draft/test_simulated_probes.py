"""The station file of a scenario with several probes describes what its devices send, and each probe."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest

from support.arrays.scenes import ArrayScene, Ports, array_world
from swathe.draft import PlanWishes, simulated_draft
from swathe.station import decoder_of, probes_of
from swathe_simulators import builtin_scenario, load_scenario


@pytest.mark.parametrize("ports", get_args(Ports))
def test_what_is_sent_is_read_as_the_file_says(ports: Ports) -> None:
    """Each reading with its input and its value, each position with the heading."""
    heading = {"swing_deg": 20.0, "along_mm": 150.0} if ports in ("frame", "input") else {}
    world = array_world(ArrayScene(ports=ports, heading=heading, passes=1))
    for name, sent in world.recording.sent.items():
        decoder = decoder_of(world.station.device[name])
        batch = decoder.feed(b"".join(sent.lines), 0)
        assert not batch.n_faults, batch.faults
        rows = sent.rows
        if decoder.gives_readings:
            alone = ports == "separate" or name == "single"
            assert np.array_equal(
                batch.readings["probe"], 0 * rows["probe"] if alone else rows["probe"]
            )
            assert np.array_equal(batch.readings["valid"], rows["valid"])
            flight = 0.42 + 2 * rows["thickness_mm"] / 5.92
            assert np.abs(batch.readings["time_of_flight"] - flight)[rows["valid"]].max() < 0.02
            assert not np.isnan(batch.readings["amplitude"]).any()
        if decoder.gives_positions:
            first = rows[rows["length"] > 0]
            for axis in decoder.axes:
                counts = batch.positions["counts"][:, decoder.axes.index(axis)]
                assert np.array_equal(counts, first[f"{axis}_counts"])
            assert ("heading" in decoder.axes) == bool(heading)


def test_each_probe_is_where_the_scenario_states_it() -> None:
    """With its device, and its input where the device has several."""
    world = array_world(ArrayScene(ports="mixed", probes=3))
    found = probes_of(world.station).probes
    assert [(one.name, one.device, one.input, one.scan, one.index) for one in found] == [
        ("p0", "single", None, 0.0, -4.0),
        ("p1", "many", 2, 6.0, 0.0),
        ("p2", "many", 3, 0.0, 4.0),
    ]
    assert world.station.index is not None
    assert (world.station.index.length, world.station.index.resolution) == (20.0, 4.0)


@pytest.mark.parametrize(("name", "rate"), [("array", 60), ("belt", 60)])
def test_reading_rate_of_a_crawler_is_that_of_each_probe(name: str, rate: float) -> None:
    """Of a port that sends four probes in turn it is a quarter of its lines."""
    draft = simulated_draft(load_scenario(builtin_scenario(name)), PlanWishes(), name=name)
    plan = next(table for table in draft.tables if table.header == "motion.plan")
    assert {entry.key: entry.value for entry in plan.entries}["reading_rate"] == rate


def test_heading_is_that_of_the_counter() -> None:
    """With its sign and its zero."""
    scene = ArrayScene(heading={"swing_deg": 20.0, "along_mm": 150.0})
    carriage = array_world(scene).station.carriage
    assert carriage is not None
    assert carriage.heading is not None
    assert (carriage.heading.device, carriage.heading.counts_per_degree) == ("encoder", 100)
    assert array_world(ArrayScene()).station.carriage is None
