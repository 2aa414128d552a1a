"""The longest of the recent intervals between readings."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.placing.longest_interval import LongestInterval


def test_longest_of_the_last_eight_groups() -> None:
    """It is known with the last reading of a group, and forgotten eight groups later."""
    steps = np.full(64 * 12, 10)
    steps[70] = 17
    steps[64 * 5] = 30
    silent = steps == 30
    found = LongestInterval().follow(steps, silent)
    assert found[:63].tolist() == [0] * 63
    assert found[63:127].tolist() == [10] * 64
    assert found[127 : 127 + 64 * 8].tolist() == [17] * 64 * 8
    assert found[127 + 64 * 8] == 10


@given(
    seed=st.integers(0, 2**32 - 1),
    borders=st.lists(st.integers(0, 1500), max_size=12).map(sorted),
)
def test_longest_does_not_depend_on_batches(seed: int, borders: list[int]) -> None:
    """However the readings are cut, each has the same value."""
    chance = np.random.default_rng(seed)
    steps, silent = chance.integers(1, 10**6, 1500), chance.random(1500) < 0.1
    whole = LongestInterval().follow(steps, silent)
    made = LongestInterval()
    cut = zip(np.split(steps, borders), np.split(silent, borders), strict=True)
    assert np.concatenate([made.follow(*part) for part in cut]).tolist() == whole.tolist()
