"""Samples of an encoder that are missing: what is known of the path between the others."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.handmade import MS, START, ticks
from daemon.pipeline.placing.test_lost_position import entries, reference, survey, true_place
from swathe.arrays import Bools
from swathe.pipeline.placing.axis_samples import WaitingSamples
from swathe.pipeline.placing.missing_samples import MissingSamples

TURN = 2000  # ms; `to_and_fro` is at 100 mm then


def to_and_fro(ms: np.ndarray) -> np.ndarray:
    """Return the place of a probe at 50 mm/s that turns at 100 mm."""
    return np.asarray(100 - np.abs(ms - TURN) * 0.05)


def found(
    times_ms: np.ndarray,
    positions: np.ndarray,
    *,
    smear_ms: int = 0,
    cuts: Iterable[int] = (),
    resets: Iterable[int] = (),
) -> list[int]:
    """Return the times in ms of the samples to which no line leads, of cells of 2 mm."""
    made = MissingSamples(cell=2.0, rounding=0.1)
    times = np.rint(times_ms * MS).astype(np.int64)
    none = np.zeros(times.shape, np.int64)
    samples = WaitingSamples(
        times, positions, none > 0, times, none, none + smear_ms * MS, times, none > 0
    )
    reset: Bools = np.isin(times_ms, list(resets))
    parts: list[Bools] = []
    borders = [0, *cuts, times.size]
    for begin, end in pairwise(borders):
        rows = slice(begin, end)
        parts.append(made.turns_before(samples[rows], positions[rows], reset[rows]))
    return list(times_ms[np.concatenate(parts)].tolist())


def sampled(*missing: tuple[int, int], every: int = 10) -> np.ndarray:
    """Return times from 1 to 3 s, ms, but for those from the first to before the second of each."""
    times = np.arange(1000, 3000, every)
    for first, last in missing:
        times = times[(times < first) | (times >= last)]
    return times


@pytest.mark.parametrize("first", [1920, 1950, 1990])
def test_turn_among_missing_samples_is_no_line(first: int) -> None:
    """To the sample behind it, wherever in the interval the probe turned."""
    times = sampled((first, first + 100))
    assert found(times, to_and_fro(times)) == [first + 100]


def test_return_to_the_same_place_is_no_rest() -> None:
    """It went on by 2.5 mm and came back."""
    times = sampled((1960, 2050))
    assert to_and_fro(np.array(1950)) == to_and_fro(np.array(2050))
    assert found(times, to_and_fro(times)) == [2050]


def test_motion_that_goes_on_is_a_line() -> None:
    """Whatever is missing of it, up to a second."""
    for length in (40, 200, 900):
        times = sampled((1050, 1050 + length))
        assert found(times, to_and_fro(times)) == []


def test_rest_is_a_line() -> None:
    """A probe that stands before an interval, and is there behind it."""
    times = sampled((1500, 2400))
    assert found(times, np.full(times.shape, 7.0)) == []


def test_two_intervals_are_as_between_samples_of_half_the_rate() -> None:
    """One sample is missing at the turn of a fast probe: 2 mm from the line, as of every other sample."""
    times = sampled((2000, 2010))
    assert found(times, 4 * to_and_fro(times)) == []
    assert found(np.append(times[times <= 1990], 2020), 4 * to_and_fro(times)[:101]) == [2020]


def test_what_is_usual_does_not_depend_on_the_interval_itself() -> None:
    """The fifth sample ends a block of the usual interval, which then has the long one in it."""
    times = np.array([0, 10, 20, 30, 60])
    assert found(times, np.array([0.0, 10.0, 20.0, 30.0, 20.0])) == [60]


def test_half_a_cell_is_within_what_a_place_may_be_off() -> None:
    """A probe that slows down to half its speed is 1 mm behind after 40 ms, and 1.5 after 60."""
    for length, expected in ((40, []), (60, [2000 + 60])):
        times = sampled((2000 + 10, 2000 + length))
        slower = np.where(times > 2000, 100 + (times - 2000) * 0.025, times * 0.05)
        assert found(times, slower) == expected


def test_lateness_of_a_sample_is_allowed_for() -> None:
    """By its smear: a place may be off by as much as without missing samples."""
    times = sampled((2000 + 10, 2000 + 60))
    slower = np.where(times > 2000, 100 + (times - 2000) * 0.025, times * 0.05)
    assert found(times, slower, smear_ms=30) == []


def test_nothing_is_known_of_the_motion_behind_a_reset() -> None:
    """Of one sample alone nobody knows where the probe went."""
    times = sampled((1510, 1600))
    places = to_and_fro(times)
    assert found(times, places) == []
    assert found(times, places, resets=[1500]) == [1600]


def test_first_sample_after_a_position_was_set_has_none_before() -> None:
    """What was before is no motion."""
    made = MissingSamples(cell=2.0, rounding=0.1)
    times = np.arange(20) * 10 * MS
    none = np.zeros(20, np.int64)
    rest = np.zeros(20)
    samples = WaitingSamples(times, rest, none > 0, times, none, none, times, none > 0)
    made.turns_before(samples[:10], rest[:10], none[:10] > 0)
    made.begin()
    assert not made.turns_before(samples[15:], rest[15:] + 50, none[15:] > 0).any()


@given(st.sets(st.integers(1010, 2990), max_size=120), st.lists(st.integers(1, 150), max_size=12))
def test_batches_do_not_matter(missing: set[int], cuts: list[int]) -> None:
    """However the samples are cut."""
    times = sampled()
    times = times[~np.isin(times, [one // 10 * 10 for one in missing])]
    places = to_and_fro(times) + 3 * np.sin(times / 200)
    inside = sorted({cut for cut in cuts if cut < times.size})
    assert found(times, places, cuts=inside) == found(times, places)


def test_readings_at_a_turn_that_was_not_sampled_are_unplaced() -> None:
    """Through the pipeline; 75 ms around a turn at 100 mm/s, of which the line was 3.7 mm off."""
    turn = 5200  # at the far end, ms
    assert true_place(turn) == 300.0
    made, seen = survey(
        entries(lambda _, count: count, 5600, silent=(turn - 34, turn + 36)), ticks(5650, 6500)
    )
    assert (
        max(abs(np.array(seen.scan) - [true_place(round((t - START) / MS)) for t in seen.times]))
        < 1
    )
    assert not [t for t in seen.times if turn - 30 < (t - START) / MS < turn + 30]
    assert made.position[0] is not None


def test_position_that_was_set_is_no_motion() -> None:
    """It was set 50 ms before samples are missing, to 30 mm further on: the probe went on as before."""
    made, seen = survey(
        entries(lambda _, count: count, 1000),
        [reference(1000, scan=true_place(1000) + 30)],
        entries(lambda _, count: count, 1600, first=1001, silent=(1050, 1150)),
        ticks(1650, 2000),
    )
    assert made.position[0] is not None
    assert [t for t in seen.times if 1060 < (t - START) / MS < 1140]
