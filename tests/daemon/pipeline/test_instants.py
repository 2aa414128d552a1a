"""Instants of evaluation: multiples of 50 ms of the journal's time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.instants import (
    INSTANT_NS,
    instant_of,
    instants_between,
    last_instant_before,
)

MS = 1_000_000


@pytest.mark.parametrize(
    ("known", "instant"),
    [(0, 0), (1, 50 * MS), (50 * MS - 1, 50 * MS), (50 * MS, 50 * MS), (50 * MS + 1, 100 * MS)],
)
def test_what_becomes_known_takes_effect_at_the_next_instant_or_its_own(
    known: int, instant: int
) -> None:
    """At a multiple of 50 ms it takes effect at once."""
    assert instant_of(np.array([known, known])).tolist() == [instant, instant]


@pytest.mark.parametrize(
    ("now", "last"),
    [(1, 0), (50 * MS - 1, 0), (50 * MS, 0), (50 * MS + 1, 50 * MS), (100 * MS, 50 * MS)],
)
def test_instant_of_now_is_not_over(now: int, last: int) -> None:
    """More entries of that very time may follow."""
    assert last_instant_before(now) == last


@pytest.mark.parametrize(
    ("after", "last", "found"),
    [
        (0, 100, [50, 100]),
        (50, 100, [100]),
        (51, 100, [100]),
        (49, 100, [50, 100]),
        (100, 100, []),
        (100, 50, []),
    ],
)
def test_instants_between_are_later_than_the_first_up_to_the_last(
    after: int, last: int, found: list[int]
) -> None:
    """The first bound is not one of them, the last one is."""
    assert (instants_between(after * MS, last * MS) // MS).tolist() == found


@given(st.integers(0, 10**15), st.integers(0, 10**10), st.integers(0, 10**10))
def test_instants_up_to_two_times_are_those_up_to_the_later_one(
    begin: int, first: int, second: int
) -> None:
    """Wherever time is cut, each instant is met once."""
    middle, end = begin + first, begin + first + second
    at = [last_instant_before(time) for time in (begin, middle, end)]
    parts = [*instants_between(at[0], at[1]).tolist(), *instants_between(at[1], at[2]).tolist()]
    assert parts == instants_between(at[0], at[2]).tolist()
    assert all(instant % INSTANT_NS == 0 for instant in parts)
