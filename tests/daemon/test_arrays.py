"""What is often done to arrays, against numpy's own functions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.arrays import distinct, run_lengths, run_starts, steps_of


@given(st.lists(st.integers(-5, 5)), st.integers(-5, 5))
def test_steps_are_those_of_numpy(values: list[int], before: int) -> None:
    """Each value less the one before it, of integers and of floats."""
    whole = np.array(values, np.int64)
    steps = steps_of(whole, before)
    assert steps.dtype == np.int64
    assert steps.tolist() == np.diff(whole, prepend=before).tolist()
    assert steps_of(whole / 4, before / 4).tolist() == (steps / 4).tolist()


@given(st.lists(st.integers(-1, 1)))
def test_runs_are_those_of_a_loop(values: list[int]) -> None:
    """Each run begins where a value differs, and together they are as long as the values."""
    column = np.array(values, np.int64)
    starts = run_starts(column)
    assert starts.tolist() == [
        k for k in range(len(values)) if k == 0 or values[k] != values[k - 1]
    ]
    lengths = run_lengths(starts, column.size)
    assert np.repeat(column[starts], lengths).tolist() == values


@given(st.lists(st.integers(-9, 9)))
def test_distinct_values_rise(values: list[int]) -> None:
    """Each value once, in order, whatever the order before."""
    assert distinct(np.array(values, np.int64)).tolist() == sorted(set(values))


@pytest.mark.parametrize("value", [-1, 0, 7])
def test_single_value_is_a_run(value: int) -> None:
    """A run of one, whatever its value."""
    starts = run_starts(np.array([value], np.int64))
    assert (starts.tolist(), run_lengths(starts, 1).tolist()) == ([0], [1])
