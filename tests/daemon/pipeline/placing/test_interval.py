"""The usual interval: learned block by block, alike however the readings are batched."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.placing.interval import UsualInterval

MS = 1_000_000


def after(*intervals_ms: float) -> list[float]:
    """Return the usual interval known with each reading, ms, the first one at 0."""
    times = np.cumsum([0.0, *intervals_ms])
    known = UsualInterval().follow(np.rint(times * MS).astype(np.int64))
    return [float(ns) / MS for ns in known]


def test_no_interval_before_the_second_reading() -> None:
    """One reading has none; the second one's is that between them."""
    assert after() == [0.0]
    assert after(7.0) == [0.0, 7.0]


def test_first_blocks_double_in_length() -> None:
    """It is known anew with the 2nd, 5th and 12th reading: after 1, 3 and 7 intervals more."""
    assert after(10, 20, 20, 20) == [0, 10, 10, 10, 20]
    assert after(10, 20, 20, 20, *[30] * 7) == [0, 10, 10, 10, 20, *[20] * 6, 30]


def test_pause_counts_for_four_intervals() -> None:
    """A pause moves the mean by no more than three intervals among those of its block."""
    assert after(10, 10, 1000, 10)[-1] == 20.0


def test_readings_at_one_time_have_no_interval() -> None:
    """Of bunched readings the time between the bunches counts."""
    assert after(10, 0, 20, 0) == [0, 10, 10, 10, 20]


@pytest.mark.parametrize(("interval", "length"), [(1.0, 251), (5.0, 64)])
def test_later_blocks_have_64_readings_and_250_ms(interval: float, length: int) -> None:
    """What is usual changes with the last reading of a whole block, of a fast gauge after 250 ms."""
    begin = sum(2**k - 1 for k in range(1, 6))  # intervals of the blocks of 2 to 32 readings
    known = after(*[10.0] * begin, *[interval] * (2 * length))
    changes = np.flatnonzero(np.diff(known)).tolist()
    assert changes[-1] == begin + length - 2
    assert known[-1] == interval


@given(
    steps=st.lists(st.integers(0, 40), min_size=1, max_size=400),
    cuts=st.lists(st.integers(1, 400), max_size=8),
)
def test_batches_do_not_matter(steps: list[int], cuts: list[int]) -> None:
    """One at a time, in batches or all at once: the same intervals."""
    times = np.cumsum(steps).astype(np.int64) * MS
    whole = UsualInterval().follow(times)
    for borders in (range(1, times.size), sorted({cut for cut in cuts if cut < times.size})):
        made = UsualInterval()
        parts = [made.follow(part) for part in np.split(times, borders)]
        assert np.concatenate(parts).tolist() == whole.tolist()
        assert made.value == whole[-1]


def test_block_ends_with_the_reading_at_its_full_time() -> None:
    """With the reading at 250 ms itself, not with the one after it."""
    usual = UsualInterval()
    usual._block = 64
    times = np.array([*range(63), 250, 251], np.int64) * 1_000_000
    assert usual.follow(times[:63]).tolist() == [0] * 63
    # 62 intervals of 1 ms, and one of 188 that counts for four of those.
    assert usual.follow(times[63:64]).tolist() == [(62 + 4) * 1_000_000 // 63]


def test_pause_counts_for_four_of_the_intervals_before() -> None:
    """A gauge that becomes ten times slower is learned block by block."""
    usual = UsualInterval()
    fast = np.arange(0, 1000, 10) * 1_000_000
    slow = fast[-1] + np.arange(1, 400) * 100_000_000
    usual.follow(fast)
    assert usual.value == 10_000_000
    values = usual.follow(slow)
    known = [10_000_000, *values[np.flatnonzero(np.diff(values)) + 1].tolist()]
    assert known[-1] == 100_000_000
    assert len(known) > 3
    assert all(now <= 4 * before for before, now in pairwise(known))
