"""Readings that carry their own counts keep to them, whether they count or not."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.pipeline.placing.axis_samples import AxisSamples
from swathe.pipeline.placing.combined import CombinedReadings
from swathe.pipeline.placing.placer import Placer


class Order:
    """Keeps what is placed, in place of a placer."""

    def __init__(self) -> None:
        self.placed: list[tuple[int, float]] = []
        self.known: list[int] = []

    def place_at(self, made: Any, scan: Any, index: Any, known: Any) -> None:
        """Take readings with their positions."""
        assert index is None
        assert known.size == scan.size == made.size
        self.known += known.tolist()
        self.placed += list(zip(made["time"].tolist(), scan.tolist(), strict=True))


@pytest.mark.parametrize("first", range(1, 7))
def test_readings_of_one_record_have_its_position(first: int) -> None:
    """However many readings each record has, and however few positions are decided at a time."""
    combined, order = CombinedReadings(("scan",)), Order()
    made = readings([1, 1, 1, 2, 3, 3])
    made["offset"] = [100, 100, 100, 120, 140, 140]
    if first in (3, 4):  # between two records
        for part in (made[:first], made[first:]):
            combined.add(part, part["time"].astype(np.int64))
    else:
        combined.add(made, made["time"].astype(np.int64))
    for time in (1, 2, 3):
        one = np.array([time], np.int64)
        combined.decide("scan", AxisSamples(one, np.array([10.0 * time]), one, np.zeros(1, bool)))
        combined.place(cast("Placer", order))
        assert {place for _, place in order.placed} == {10.0 * n for n in range(1, time + 1)}
    assert order.placed == [(1, 10.0)] * 3 + [(2, 20.0)] + [(3, 30.0)] * 2
    assert not combined.waiting.size


def test_positions_of_several_records_at_a_time_go_to_their_readings() -> None:
    """Each is known once its own position is, and the next ones keep theirs."""
    combined, order = CombinedReadings(("scan",)), Order()
    made = readings([1, 1, 1, 2, 3, 3])
    made["offset"] = [100, 100, 100, 120, 140, 140]
    combined.add(made, np.zeros(6, np.int64))
    for times in ([1, 2], [3]):
        made_at = np.array(times, np.int64)
        marks = np.zeros(made_at.shape, bool)
        combined.decide(
            "scan", AxisSamples(made_at, (10.0 * made_at).astype(np.float64), 100 * made_at, marks)
        )
        combined.place(cast("Placer", order))
    assert order.placed == [(1, 10.0)] * 3 + [(2, 20.0)] + [(3, 30.0)] * 2
    assert order.known == [100, 100, 100, 200, 300, 300]


def test_positions_wait_for_the_readings_of_their_records() -> None:
    """Those that were decided first are not lost with the readings of one record."""
    combined, order = CombinedReadings(("scan",)), Order()
    made = readings([1, 1, 1, 2, 3, 3])
    made["offset"] = [100, 100, 100, 120, 140, 140]
    times = np.array([1, 2, 3], np.int64)
    combined.decide(
        "scan", AxisSamples(times, (10.0 * times).astype(np.float64), times, np.zeros(3, bool))
    )
    for part in (made[:3], made[3:]):
        combined.add(part, np.zeros(part.size, np.int64))
        combined.place(cast("Placer", order))
    assert order.placed == [(1, 10.0)] * 3 + [(2, 20.0)] + [(3, 30.0)] * 2


def test_readings_on_a_block_take_their_positions_with_them() -> None:
    """Those after them have their own positions, and not those that the counter had on the block."""
    combined, order = CombinedReadings(("scan",)), Order()
    parts = ((range(1, 4), True), (range(4, 6), False), (range(6, 8), True))
    for times, counts in parts:
        made = readings([*times])
        made["offset"] = times
        combined.add(made, made["time"].astype(np.int64), counts=counts)
        # Samples are decided later than they come.
        positions = np.array([10.0 * time for time in times])
        times_of = np.array([*times], np.int64)
        marks = np.zeros(times_of.shape, bool)
        combined.decide("scan", AxisSamples(times_of, positions, times_of, marks))
        combined.place(cast("Placer", order))
    assert order.placed == [(1, 10.0), (2, 20.0), (3, 30.0), (6, 60.0), (7, 70.0)]
