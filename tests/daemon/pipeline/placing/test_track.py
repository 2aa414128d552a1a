"""Where an axis was: exact at its samples, a straight line between them, nothing beyond."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.placing.track import EncodedTrack, SteppedTrack

BRACKET = 250


def track(samples: list[tuple[int, float]], bracket: int = BRACKET) -> EncodedTrack:
    """Return a track that holds `samples` as (ns, mm)."""
    made = EncodedTrack(bracket_ns=bracket)
    made.append(np.array([t for t, _ in samples], np.int64), np.array([x for _, x in samples]))
    return made


def where(made: EncodedTrack | SteppedTrack, *times: int) -> list[float | None]:
    """Return the position at each of `times`, None where unknown."""
    found = made.locate(np.array(times, np.int64))
    return [
        float(x) if known else None for x, known in zip(found.position, found.known, strict=True)
    ]


def test_locate_at_samples_and_between() -> None:
    """A sample's time gives the sample itself, a time between two the straight line."""
    made = track([(100, 1.0), (200, 3.0), (300, 2.0)])
    assert where(made, 100, 200, 300) == [1.0, 3.0, 2.0]
    assert where(made, 125, 150, 290) == [1.5, 2.0, 2.1]


def test_locate_never_before_the_first_nor_past_the_last() -> None:
    """Nothing is known before the first sample and nothing is carried on past the last."""
    made = track([(100, 1.0), (200, 3.0)])
    assert where(made, 99, 100, 200, 201, 10**15) == [None, 1.0, 3.0, None, None]
    assert where(EncodedTrack(bracket_ns=1), 0, 5) == [None, None]


def test_locate_bracket_limit_and_standing_still() -> None:
    """Samples too far apart tell nothing between them, unless the axis stood still."""
    made = track([(0, 1.0), (BRACKET, 2.0), (2 * BRACKET + 1, 3.0), (9 * BRACKET, 3.0)])
    assert where(made, BRACKET // 2) == [1.5]
    assert where(made, BRACKET + 1, BRACKET, 2 * BRACKET + 1) == [None, 2.0, 3.0]
    assert where(made, 5 * BRACKET) == [3.0]


def test_append_time_that_runs_back_is_held() -> None:
    """Order is kept: a time that runs back is held at the one before it."""
    made = track([(100, 1.0), (90, 2.0), (200, 3.0)])
    made.append(np.array([150, 250], np.int64), np.array([4.0, 5.0]))
    assert made.times.tolist() == [100, 100, 200, 200, 250]
    assert (made.last_time, made.last_position) == (250, 5.0)
    made.append(np.empty(0, np.int64), np.empty(0))
    assert made.times.size == 5


def test_forget_keeps_the_sample_that_brackets() -> None:
    """What is dropped is older than the sample before the time; numbers of samples go on."""
    made = track([(100, 1.0), (200, 2.0), (300, 3.0), (400, 4.0)])
    made.forget_before(250)
    assert made.times.tolist() == [200, 300, 400]
    assert made.forgotten == 1
    assert where(made, 250) == [2.5]
    made.forget_before(10**9)
    assert made.times.tolist() == [400]
    assert made.forgotten == 3
    made.forget_before(0)
    assert made.forgotten == 3


@given(
    st.lists(st.tuples(st.integers(1, 400), st.integers(-50, 50)), min_size=1, max_size=30),
    st.lists(st.integers(-100, 12_000), max_size=30),
    st.integers(1, 600),
)
def test_locate_agrees_with_plain_interpolation(
    steps: list[tuple[int, int]], times: list[int], bracket: int
) -> None:
    """Every time is placed as by hand: on a sample, between two close ones, or not at all."""
    at = np.cumsum([step for step, _ in steps]).tolist()
    samples = [(t, float(x)) for t, (_, x) in zip(at, steps, strict=True)]
    found = where(track(samples, bracket), *times)
    for time, position in zip(times, found, strict=True):
        expected = dict(samples).get(time)
        for (t0, x0), (t1, x1) in pairwise(samples):
            if t0 < time < t1 and (t1 - t0 <= bracket or x0 == x1):
                expected = x0 + (x1 - x0) * (time - t0) / (t1 - t0)
        if expected is None:
            assert position is None
        else:
            assert position == pytest.approx(expected, abs=1e-9)


def test_stepped_line_in_force_at_the_time() -> None:
    """A line is in force from its mark on until the next one's."""
    made = SteppedTrack(start=10.0, step=2.5, lines=4)
    made.step_to(1, 100)
    made.step_to(3, 200)
    assert where(made, -5, 99, 100, 199, 200, 10**15) == [10.0, 10.0, 12.5, 12.5, 17.5, 17.5]
    assert (made.line, made.lines) == (3, 4)


def test_stepped_forget_keeps_the_line_in_force() -> None:
    """Lines that were left long ago are dropped; the one in force at the time stays."""
    made = SteppedTrack(start=0.0, step=1.0, lines=9)
    for line in range(1, 6):
        made.step_to(line, 100 * line)
    made.forget_before(350)
    assert where(made, 350, 400, 500) == [3.0, 4.0, 5.0]
    made.forget_before(10**9)
    assert where(made, 0, 10**10) == [5.0, 5.0]


def test_stepped_mark_that_runs_back_is_held() -> None:
    """A mark that is older than the one before takes force with it."""
    made = SteppedTrack(start=0.0, step=1.0, lines=9)
    made.step_to(2, 200)
    made.step_to(1, 150)
    assert where(made, 199, 200) == [0.0, 1.0]


def test_locate_knows_nothing_across_a_position_reset() -> None:
    """No position is interpolated from the sample before a reset to the one that resets."""
    made = EncodedTrack(bracket_ns=BRACKET)
    times = np.array([100, 200, 300, 400], np.int64)
    made.append(times, np.array([1.0, 2.0, 9.0, 10.0]), np.array([False, False, True, False]))
    assert where(made, 200, 201, 250, 299, 300, 350) == [2.0, None, None, None, 9.0, 9.5]
    # Nor where the reset changes nothing: whether the probe moved meanwhile is not known.
    same = EncodedTrack(bracket_ns=BRACKET)
    same.append(times[:2], np.array([1.0, 1.0]), np.array([False, True]))
    assert where(same, 100, 150, 200) == [1.0, None, 1.0]
