"""The glitch filter against a plain definition, sample by sample, and at its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.placing.glitch_filter import GlitchFilter

MS = 1_000_000
SLACK = 0.5
FAR = 1e6

Samples = list[tuple[int, float]]


def explains(before: Samples, sample: tuple[int, float], speed: float, bend: float) -> bool:
    """Return whether a probe at the last of `before` can be at `sample`; mm/s and mm/s²."""
    (t1, x1), (t2, x2) = before[-1], sample
    seconds = (t2 - t1) / 1e9
    if abs(x2 - x1) > speed * seconds + SLACK + 1e-9:
        return False
    if len(before) < 2 or math.isinf(bend):
        return True
    t0, x0 = before[-2]
    earlier = max(t1 - t0, 1) / 1e9
    straight = x1 + (x1 - x0) / earlier * seconds
    leeway = bend * seconds * (earlier + seconds) / 2 + SLACK * (1 + seconds / earlier)
    return abs(x2 - straight) <= leeway + 1e-9


def reference(samples: Samples, speed: float, bend: float) -> tuple[list[bool], list[bool], int]:
    """Return which samples are good, which are resets, and the number of glitches."""
    good: Samples = []
    held: Samples = []
    keep, resets, glitches = [], [], 0
    for sample in samples:
        if not good or explains(good[-2:], sample, speed, bend):
            glitches += len(held)
            held = []
            good.append(sample)
            keep.append(True)
            resets.append(False)
            continue
        if held and not explains(held[-2:], sample, speed, bend):
            glitches += len(held)
            held = []
        held.append(sample)
        lasts = len(held) == 4
        if lasts:
            good, held = held[-2:], []
        keep.append(lasts)
        resets.append(lasts)
    return keep, resets, glitches


@given(
    steps=st.lists(
        st.tuples(
            st.integers(1, 20), st.integers(-3, 3), st.sampled_from([0.0] * 6 + [40.0, -9.0])
        ),
        min_size=1,
        max_size=40,
    ),
    lasting=st.booleans(),
    limits=st.sampled_from([(300.0, None), (None, 4000.0), (300.0, 4000.0)]),
    cut=st.integers(1, 12),
)
def test_keep_agrees_with_the_plain_definition(
    steps: list[tuple[int, int, float]],
    lasting: bool,
    limits: tuple[float | None, float | None],
    cut: int,
) -> None:
    """Whole arrays, in pieces of any size, give what a loop over the samples gives."""
    time, at, samples = 0, 0.0, []
    for ms, step, jump in steps:
        time += ms * MS
        at += step + (jump if lasting else 0.0)
        samples.append((time, at + (0.0 if lasting else jump)))
    speed, bend = (math.inf if limit is None else limit for limit in limits)
    keep, resets, glitches = reference(samples, speed, bend)
    made = GlitchFilter(*limits)
    found, found_resets = [], []
    for k in range(0, len(samples), cut):
        piece = samples[k : k + cut]
        good = made.keep(np.array([t for t, _ in piece]), np.array([x for _, x in piece]))
        found += good.tolist()
        found_resets += made.resets.tolist()
    assert found == keep
    assert found_resets == resets
    assert made.glitches == glitches


@pytest.mark.parametrize(
    ("step", "good"), [(1.49, True), (1.51, False), (-1.49, True), (-1.51, False)]
)
@pytest.mark.parametrize("one_by_one", [False, True])
def test_speed_limit_has_the_slack_of_the_rounding(
    step: float, good: bool, one_by_one: bool
) -> None:
    """At 100 mm/s a probe moves 1 mm in 10 ms; half a millimetre more is rounding."""
    made = GlitchFilter(100.0)
    times, positions = np.array([0, 10 * MS]), np.array([5.0, 5.0 + step])
    if one_by_one:
        assert made.keep(times[:1], positions[:1]).tolist() == [True]
        assert made.keep(times[1:], positions[1:]).tolist() == [good]
    else:
        assert made.keep(times, positions).tolist() == [True, good]


@pytest.mark.parametrize(
    ("off", "good"), [(2.19, True), (2.21, False), (-2.19, True), (-2.21, False)]
)
def test_acceleration_limit_is_that_between_two_spans(off: float, good: bool) -> None:
    """Straight on after 10 and 20 ms, 2000 mm/s² bend 0.6 mm off; rounding allows 1.5 mm more."""
    bent = 2000.0 * 0.020 * (0.010 + 0.020) / 2 + SLACK * (1 + 20 / 10)
    assert bent == pytest.approx(2.1)
    off += -0.1 if off > 0 else 0.1
    made = GlitchFilter(None, 2000.0)
    times = np.array([0, 10 * MS, 30 * MS])
    positions = np.array([0.0, 1.0, 3.0 + off])
    assert made.keep(times, positions).tolist() == [True, True, good]


def test_no_limit_keeps_everything() -> None:
    """Without limits nothing is a glitch and nothing a reset."""
    made = GlitchFilter(None)
    assert made.keep(np.array([0, 1, 2]), np.array([0.0, 1e9, -1e9])).all()
    assert not made.resets.any()
    assert made.glitches == 0


def test_restart_takes_the_next_sample_wherever_it_is() -> None:
    """After a reference position the old ones are no measure for the new one."""
    made = GlitchFilter(100.0)
    assert made.keep(np.array([0, 10 * MS]), np.array([0.0, 90.0])).tolist() == [True, False]
    made.restart()
    assert made.keep(np.array([20 * MS]), np.array([500.0])).tolist() == [True]
    assert not made.resets.any()
    assert made.glitches == 0


def keep(made: GlitchFilter, *samples: tuple[int, float]) -> list[bool]:
    """Return which of these samples, (ns, mm), are good."""
    times = np.array([time for time, _ in samples], np.int64)
    good: list[bool] = made.keep(times, np.array([mm for _, mm in samples])).tolist()
    return good


@pytest.mark.parametrize(
    ("step", "good"), [(1.5, True), (-1.5, True), (1.500001, False), (-1.500001, False)]
)
def test_speed_limit_allows_half_a_mm_more(step: float, good: bool) -> None:
    """At 1e9 mm/s, 1 mm/ns, a sample 1 ns later is within 1 mm and the 0.5 mm that rounding may add."""
    assert keep(GlitchFilter(1e9), (0, 0.0), (1, step)) == [True, good]
    # A glitch before it makes the filter look at each sample by itself.
    made = GlitchFilter(1e9)
    assert keep(made, (0, 0.0), (1, FAR), (1, step)) == [True, False, good]
    assert made.glitches == 1


@pytest.mark.parametrize(
    ("times", "heading", "leeway"),
    [
        ((0, 1, 2), 10.0, 2.0),  # 1 × 1 × (1 + 1) / 2, and 0.5 × (1 + 1/1)
        ((0, 2, 3), 5.0, 2.25),  # 1 × 1 × (2 + 1) / 2, and 0.5 × (1 + 1/2)
        ((0, 1, 3), 20.0, 4.5),  # 1 × 2 × (1 + 2) / 2, and 0.5 × (1 + 2/1)
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("share", "good"), [(1.0, True), (1.0001, False)])
def test_acceleration_limit_about_the_straight_continuation(
    times: tuple[int, int, int], heading: float, leeway: float, sign: int, share: float, good: bool
) -> None:
    """At 1e18 mm/s², 1 mm/ns², a sample is within the leeway of the speed times the time, on either side."""
    last = (times[2], 10.0 + heading + sign * share * leeway)
    start = ((times[0], 0.0), (times[1], 10.0))
    assert keep(GlitchFilter(1e18, 1e18), *start, last) == [True, True, good]
    by_itself = GlitchFilter(1e18, 1e18)
    assert keep(by_itself, *start, (times[2], FAR), last) == [True, True, False, good]
    in_batches = GlitchFilter(1e18, 1e18)
    assert keep(in_batches, start[0]) + keep(in_batches, start[1]) == [True, True]
    assert keep(in_batches, last) == [good]


@pytest.mark.parametrize(("position", "good"), [(3.0, True), (3.01, False)])
def test_two_samples_of_one_time_are_taken_1_ns_apart(position: float, good: bool) -> None:
    """A speed over no time is none: 0.5 mm within 1 ns, then 0.5 mm and a leeway of 2 mm."""
    made = GlitchFilter(1e12, 1e18)
    assert keep(made, (0, 0.0), (0, 0.5), (1, 0.5 + position - 0.5)) == [True, True, good]
    made = GlitchFilter(1e12, 1e18)
    samples = ((0, 0.0), (0, 0.5), (1, FAR), (1, position))
    assert keep(made, *samples) == [True, True, False, good]


def test_jump_that_lasts_four_samples_is_a_position_reset() -> None:
    """Three samples at a new place are held back, the fourth is good and resets the position."""
    made = GlitchFilter(1e9)
    assert keep(made, (0, 0.0), (1, 0.0), (2, 9.0), (3, 9.0), (4, 9.0)) == [True] * 2 + [False] * 3
    assert made.resets.tolist() == [False] * 5
    assert keep(made, (5, 9.0)) == [True]
    assert made.resets.tolist() == [True]
    assert keep(made, (6, 9.0), (7, 9.0)) == [True, True]
    assert made.resets.tolist() == [False, False]
    assert made.glitches == 0
    assert keep(made, (8, 0.0)) == [False]  # the track continues from the new place


def test_jump_of_three_samples_is_three_glitches() -> None:
    """The fourth sample, back on the track, is good, and no reset."""
    made = GlitchFilter(1e9)
    keep(made, (0, 0.0), (1, 0.0), (2, 9.0), (3, 9.0), (4, 9.0))
    assert keep(made, (5, 0.0)) == [True]
    assert made.resets.tolist() == [False]
    assert made.glitches == 3


def test_no_limit_keeps_two_samples_of_one_time() -> None:
    """Without limits no speed is computed, not even over no time."""
    made = GlitchFilter(None)
    assert keep(made, (0, 0.0), (0, FAR), (1, -FAR)) == [True] * 3
    assert made.resets.tolist() == [False] * 3


def test_empty_batch_changes_nothing() -> None:
    """Between two batches it neither forgets the last sample nor what is held back."""
    made = GlitchFilter(1e9)
    assert keep(made) == []
    assert keep(made, (0, 0.0), (1, 9.0)) == [True, False]
    assert keep(made) == []
    assert made.resets.tolist() == []
    assert keep(made, (2, 0.0)) == [True]
    assert made.glitches == 1
