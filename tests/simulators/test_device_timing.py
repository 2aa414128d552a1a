"""Clocks, jitter and the order of arrival."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_simulators.device import deliveries, draw_jitter, stamps
from swathe_simulators.device_models import ClockModel, LatencyModel


def test_stamps_skew_and_offset() -> None:
    """After 1000 s a clock of -35 ppm is 35 ms behind, on top of its offset."""
    clock = ClockModel(offset_us=77, skew_ppm=-35)
    assert stamps(clock, np.array([0.0, 1000.0])).tolist() == [77, 77 + 1_000_000_000 - 35_000]


def test_stamps_wrap_unsigned() -> None:
    """A clock of 16 bits starts again after 65 535 µs."""
    clock = ClockModel(offset_us=65_000, wrap_bits=16)
    wall = np.array([0.0, 535.5e-6, 536.5e-6])
    assert stamps(clock, wall).tolist() == [65_000, 65_535, 0]


@pytest.mark.parametrize("shape", ["gamma", "exponential"])
def test_draw_jitter_has_its_mean(shape: Literal["gamma", "exponential"]) -> None:
    """The mean of many draws is the one asked for, within six standard errors."""
    n = 40_000
    model = LatencyModel(jitter_ms=3, shape=shape)
    drawn = draw_jitter(model, n, np.random.default_rng(1))
    assert drawn.min() >= 0
    assert drawn.mean() == pytest.approx(3e-3, abs=6 * 3e-3 / n**0.5)


@given(
    st.lists(st.tuples(st.floats(0, 10), st.floats(0.001, 1)), min_size=1, max_size=30),
    st.floats(0, 5),
)
def test_deliveries_equal_plain_loop(lines: list[tuple[float, float]], free: float) -> None:
    """The vectorised queue gives what a loop over the lines gives."""
    ready, wire = (np.array(column) for column in zip(*lines, strict=True))
    expected, end = [], free
    for begin, time in lines:
        end = max(begin, end) + time
        expected.append(end)
    assert deliveries(ready, wire, free) == pytest.approx(expected, abs=1e-9)
