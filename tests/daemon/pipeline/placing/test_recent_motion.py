"""How far the probe moved within a while before each sample."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.placing.recent_motion import RecentMotion

MS = 1_000_000


def moved(
    times_ms: list[int], positions: list[float], while_ms: int, resets: list[bool] | None = None
) -> list[float]:
    """Return what is found for samples given at once."""
    n = len(times_ms)
    found = RecentMotion().follow(
        np.array(times_ms, np.int64) * MS,
        np.array(positions),
        np.zeros(n, bool) if resets is None else np.array(resets),
        np.full(n, while_ms * MS),
    )
    return [float(mm) for mm in found.round(6)]


def test_travel_within_the_while() -> None:
    """It is the travel to and fro since the sample at or before its beginning, by its share of that."""
    assert moved([0, 10, 20, 30, 40], [0.0, 1.0, 3.0, 2.0, 2.0], 20)[2:] == [3.0, 3.0, 1.0]
    assert moved([0, 10, 20, 30, 40], [0.0, 1.0, 3.0, 2.0, 2.0], 15)[2:] == [2.25, 2.25, 0.75]


def test_path_shorter_than_the_while_is_extrapolated() -> None:
    """A path that began since is taken to have had the same speed before; one sample has none."""
    assert moved([0, 10, 20], [0.0, 1.0, 2.0], 40) == [0.0, 4.0, 4.0]


def test_no_while_is_no_motion() -> None:
    """Where times are not uncertain, nothing is."""
    assert moved([0, 10, 20], [0.0, 1.0, 2.0], 0) == [0.0, 0.0, 0.0]


def test_whiles_beyond_two_seconds_are_reckoned_from_two() -> None:
    """At a steady speed a while of 6 s has three times the travel of 2 s."""
    times = list(range(0, 8001, 1000))
    assert moved(times, [float(t) for t in times], 6000)[-1] == 6000.0


def test_position_reset_is_no_motion() -> None:
    """A position that is set again is no travel, nor is an unknown one."""
    assert moved([0, 10, 20], [0.0, 100.0, 101.0], 30, [False, True, False])[-1] == 1.5
    assert moved([0, 10, 20, 30], [0.0, np.nan, 100.0, 101.0], 30)[-1] == 1.0


@given(
    st.lists(
        st.tuples(st.integers(0, 900), st.floats(-50, 50), st.integers(0, 2500), st.booleans()),
        min_size=1,
        max_size=40,
    ),
    st.lists(st.integers(0, 40), max_size=6),
)
def test_pieces_do_not_matter(samples: list[tuple[int, float, int, bool]], cuts: list[int]) -> None:
    """Samples that come in pieces give the same, bit for bit, as all at once."""
    steps, mm, whiles, resets = (np.array(column) for column in zip(*samples, strict=True))
    columns = np.cumsum(steps) * MS, np.cumsum(mm), resets, whiles * MS
    whole = RecentMotion().follow(*columns)
    made = RecentMotion()
    borders = sorted({0, len(samples), *(cut for cut in cuts if cut < len(samples))})
    pieces = [
        made.follow(*(column[begin:end] for column in columns)) for begin, end in pairwise(borders)
    ]
    assert np.array_equal(np.concatenate(pieces), whole)
