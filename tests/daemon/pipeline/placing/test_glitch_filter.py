"""The glitch filter: true motion passes, glitches are discarded, a position that jumps is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from swathe.pipeline.placing.filter_verdicts import FilterEvent
from swathe.pipeline.placing.glitch_filter import GlitchFilter
from swathe.pipeline.placing.interval import UsualInterval
from swathe.pipeline.placing.probe_limits import ProbeLimits, Sample

S = 1_000_000_000
MS = 1_000_000
GRID_S = 1e-4
COUNT_MM = 0.1

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SEEDS = st.integers(0, 10**6)


@dataclass(frozen=True)
class Found:
    """What a filter made of a stream."""

    good: NDArray[np.bool_]
    by: Ints
    resets: NDArray[np.bool_]
    events: list[FilterEvent]
    made: GlitchFilter


def filtered(times: Ints, positions: Floats, limits: ProbeLimits, cut: int = 10**9) -> Found:
    """Return what the filter makes of a stream in pieces of `cut` samples."""
    made, usual = GlitchFilter(limits), UsualInterval()
    good, by, resets, events = [], [], [], []
    for k in range(0, times.size, cut):
        some = slice(k, k + cut)
        found = made.keep(times[some], positions[some], usual.follow(times[some]))
        good.append(found.good)
        by.append(found.by + k)
        resets.append(found.resets)
        events += [FilterEvent(e.by + k, e.lost, e.last, e.jump) for e in found.events]
    return Found(np.concatenate(good), np.concatenate(by), np.concatenate(resets), events, made)


def swipes(rng: np.random.Generator, seconds: float = 8.0) -> Floats:
    """Return a hand's position every 0.1 ms: rests, swipes and stops at up to 1.5 m/s, 20 m/s²."""
    size = int(seconds / GRID_S)
    speeds = np.zeros(size)
    speed, k = 0.0, 0
    while k < size:
        target = rng.choice([0.0, rng.uniform(-1500.0, 1500.0)])
        gain = 20_000.0 * rng.choice([1.0, 0.3, 0.05]) * GRID_S
        steps = np.arange(1, abs(target - speed) // gain + 2 + rng.exponential(0.4) // GRID_S)
        ramp = speed + np.sign(target - speed) * np.minimum(gain * steps, abs(target - speed))
        end = min(size, k + ramp.size)
        speeds[k:end] = ramp[: end - k]
        speed, k = float(speeds[end - 1]), end
    return np.asarray(np.cumsum(speeds) * GRID_S)


def scans(seconds: float = 8.0, speed: float = 250.0, gain: float = 2000.0) -> Floats:
    """Return a raster's position every 0.1 ms: to and fro over 400 mm, stopping at each end."""
    time = np.arange(int(seconds / GRID_S)) * GRID_S
    to_and_fro = np.abs((time * speed / 800.0) % 1 * 2 - 1) * 400.0
    width = int(speed / gain / GRID_S) * 2
    padded = np.pad(to_and_fro, (width // 2, width - width // 2 - 1), mode="edge")
    return np.asarray(np.convolve(padded, np.full(width, 1 / width), "valid"))


def sampled(
    rng: np.random.Generator,
    motion: Floats,
    rate: float,
    *,
    clock: str = "exact",
    on_change: bool = False,
) -> tuple[Ints, Floats]:
    """Return times and counted positions of an encoder that samples a motion."""
    at = np.arange(rng.uniform(0, 1 / rate), motion.size * GRID_S - GRID_S, 1 / rate)
    counted = np.round(np.interp(at, np.arange(motion.size) * GRID_S, motion) / COUNT_MM)
    if on_change:
        kept = np.diff(counted, prepend=np.inf) != 0
        at, counted = at[kept], counted[kept]
    match clock:
        case "ms":
            at = np.round(at, 3)
        case "bunched":  # as a USB adapter delivers them
            at = np.ceil(at / 0.016) * 0.016
    return np.asarray(at * S, np.int64) + 10**4 * S, np.asarray(counted * COUNT_MM, np.float64)


def limits(**given: object) -> ProbeLimits:
    """Return limits of an encoder of 10 counts/mm."""
    return ProbeLimits(rounding=COUNT_MM, **given)  # type: ignore[arg-type]


@settings(max_examples=20, deadline=None)
@given(
    seed=SEEDS,
    rate=st.sampled_from([5, 10, 20, 50, 100, 250, 1000]),
    clock=st.sampled_from(["exact", "ms", "bunched"]),
    on_change=st.booleans(),
    raster=st.booleans(),
)
def test_true_motion_is_never_rejected(
    seed: int, rate: int, clock: str, on_change: bool, raster: bool
) -> None:
    """Hands from rest at 20 m/s², stops, sparse encoders and such as send on change all pass."""
    rng = np.random.default_rng(seed)
    motion = scans() if raster else swipes(rng)
    times, positions = sampled(rng, motion, rate, clock=clock, on_change=on_change)
    found = filtered(times, positions, limits(rests=on_change))
    assert found.events == []
    assert found.good.all()
    assert not found.resets.any()


@settings(max_examples=20, deadline=None)
@given(
    seed=SEEDS,
    rate=st.sampled_from([100, 200, 500]),
    kind=st.sampled_from(["16 bits", "32 bits", "small", "low bits"]),
)
def test_one_percent_of_random_counts_misplaces_nothing(seed: int, rate: int, kind: str) -> None:
    """Nothing is set: what is left leads no farther off than motion may: 3.6 mm at 100 Hz."""
    rng = np.random.default_rng(seed)
    times, true = sampled(rng, scans(16.0), rate)
    wrong = rng.random(true.size) < 0.01
    counts = np.round(true / COUNT_MM).astype(np.int64)
    count = int(wrong.sum())
    match kind:
        case "16 bits":
            counts[wrong] = rng.integers(-(1 << 15), 1 << 15, count)
        case "32 bits":
            counts[wrong] = rng.integers(-(1 << 31), 1 << 31, count)
        case "small":
            counts[wrong] += np.round(rng.uniform(-20, 20, count) / COUNT_MM).astype(np.int64)
        case _:
            counts[wrong] ^= rng.integers(0, 256, count)
    period = (1 << 16) * COUNT_MM
    made = limits(periods=(period,)) if kind == "16 bits" else limits()
    found = filtered(times, np.asarray(counts * COUNT_MM, np.float64), made)
    kept = np.flatnonzero(found.good)
    # Two close together may agree with a motion, and nothing contradicts the first samples.
    close = wrong & (np.convolve(wrong, [1, 1, 0, 1, 1], "same") > 0)
    close[:3] |= wrong[:3]
    if not close.any():
        assert found.events == []
        assert kept.size > 0.95 * times.size
    if found.resets.any():  # the first sample was wrong: no path leads from it
        kept = kept[kept >= np.flatnonzero(found.resets)[-1]]
    at = np.arange(times[kept[0]], times[kept[-1]], MS)
    off = np.interp(at, times[kept], counts[kept] * COUNT_MM) - np.interp(at, times, true)
    beside = np.zeros(at.shape, bool)
    for k in np.flatnonzero(close).tolist():
        beside |= (at >= times[max(k - 1, 0)]) & (at <= times[min(k + 2, times.size - 1)])
    assert np.abs(off[~beside]).max(initial=0.0) < 3.0 * (100 / rate) ** 2 + 0.6
    # What they can do is bounded by what is granted to a motion from rest at 20 m/s².
    assert np.abs(off).max() < 15.0


def test_two_small_glitches_in_a_row_do_not_lose_the_position() -> None:
    """What follows the samples before them shows that they were none of the motion."""
    positions: Floats = np.arange(60.0) * 2.5
    positions[30] += 5.0
    positions[31] += 11.0
    found = filtered(np.arange(60) * 10 * MS + S, positions, limits())
    assert found.events == []
    assert found.good.all()  # the two were passed on before that was known
    assert found.made.glitches == 2
    assert not found.resets.any()


@pytest.mark.parametrize("share", [0.35, 0.5, 0.65])
def test_a_jerk_is_a_motion_if_what_follows_continues_from_it(share: float) -> None:
    """From rest to 700 mm/s between three samples: each is reachable from those before it."""
    steps = np.zeros(60)
    steps[30:] = 7.0
    steps[30] *= share
    found = filtered(np.arange(60) * 10 * MS + S, np.cumsum(steps), limits())
    assert found.events == []
    assert found.good.all()
    assert not found.resets.any()


def test_a_jerk_beyond_any_motion_loses_the_position() -> None:
    """From rest to 3 m/s between two samples: none of them is reachable."""
    found = filtered(
        np.arange(60) * 10 * MS + S, np.maximum(np.arange(60.0) - 30, 0) * 30, limits()
    )
    assert [event.lost for event in found.events] == [True]


def test_a_glitch_that_another_one_continues_needs_more_than_a_reachable_next_sample() -> None:
    """A bend beyond the granted acceleration is confirmed by a sample within it, not by another bend."""
    positions: Floats = np.arange(60.0) * 2.5
    positions[30] += 6.2
    positions[31] += 18.3
    found = filtered(np.arange(60) * 10 * MS + S, positions, limits())
    assert found.events == []
    assert np.flatnonzero(~found.good).tolist() == [30, 31]


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS, rate=st.sampled_from([20, 100, 1000]), cut=st.integers(1, 30))
def test_pieces_of_any_size_have_one_result(seed: int, rate: int, cut: int) -> None:
    """What is decided, by which sample, and what is lost depends on the samples alone."""
    rng = np.random.default_rng(seed)
    times, positions = sampled(rng, swipes(rng, 5.0), rate)
    wrong = rng.random(positions.size) < 0.03
    positions[wrong] += rng.choice([3.0, -8.0, 40.0, 900.0], int(wrong.sum()))
    jump = int(rng.integers(positions.size))
    positions[jump : jump + int(rng.integers(1, 60))] += rng.choice([0.0, 25.0, -300.0])
    whole = filtered(times, positions, limits())
    parts = filtered(times, positions, limits(), cut)
    assert whole.good.tolist() == parts.good.tolist()
    assert whole.by.tolist() == parts.by.tolist()
    assert whole.resets.tolist() == parts.resets.tolist()
    assert whole.events == parts.events
    assert (whole.made.glitches, whole.made.held) == (parts.made.glitches, parts.made.held)


def steady(size: int = 200, rate: float = 100.0, speed: float = 100.0) -> tuple[Ints, Floats]:
    """Return a steady motion from 500 mm on."""
    seconds = np.arange(size) / rate
    return np.asarray(seconds * S, np.int64) + 10**4 * S, 500.0 + np.round(speed * seconds, 1)


@pytest.mark.parametrize("jump", [-500.0, 12.0, -12.0, 3000.0])
def test_jump_that_lasts_loses_the_position(jump: float) -> None:
    """From the jump on no sample is good, however long the counter continues from there."""
    times, positions = steady()
    positions[100:] += jump
    found = filtered(times, positions, limits())
    assert found.good[:100].all()
    assert not found.good[100:].any()
    (event,) = found.events
    assert (event.by, event.lost) == (103, True)
    assert event.last.position == pytest.approx(599.0)
    assert event.jump == pytest.approx(jump + 4.0, abs=3.5)
    assert found.made.lost
    assert found.made.glitches == 0


def test_counter_that_starts_at_zero_after_a_silence_loses_the_position() -> None:
    """A device that was off for 3 s has its counter at zero: that motion could reach it is no proof."""
    times, positions = steady()
    times[100:] += 3 * S
    positions[100:] -= positions[100]
    found = filtered(times, positions, limits())
    assert not found.good[100:].any()
    near = positions.copy()
    near[:100] -= 590.0  # 9.9 mm from zero as it fell silent
    assert not filtered(times, near, limits()).good[100:].any()


def test_silence_with_little_motion_is_none() -> None:
    """The counter continues where it was: the position is known again, the time between is not."""
    times, positions = steady()
    times[100:] += 3 * S
    assert filtered(times, positions, limits()).good.all()
    far = positions.copy()
    far[100:] += 400.0
    assert not filtered(times, far, limits()).good[100:].any()
    assert filtered(times, far, limits(keeps_count=True)).good.all()


def test_burst_that_ends_finds_the_position_again() -> None:
    """After 0.3 s of wrong counts the samples are back on their course: four in a row prove it."""
    times, positions = steady()
    true = positions.copy()
    positions[100:130] = 3000.0
    found = filtered(times, positions, limits())
    assert [event.lost for event in found.events] == [True, False]
    assert np.flatnonzero(~found.good).tolist() == list(range(100, 130))
    assert found.by[130:134].tolist() == [133] * 4
    assert np.flatnonzero(found.resets).tolist() == [130]
    assert positions[found.good] == pytest.approx(true[found.good])


def test_counter_that_travels_through_the_old_position_is_not_found() -> None:
    """It started again 40 mm behind and is led over the place where it was lost: no proof."""
    times, positions = steady()
    positions[100:] = positions[99] - 40.0 + np.arange(100) * 4.0  # 400 mm/s
    found = filtered(times, positions, limits())
    assert not found.good[100:].any()
    assert [event.lost for event in found.events] == [True]


def test_second_start_at_zero_is_not_found() -> None:
    """Where another start at zero would put the counter, a way back is no evidence."""
    times, positions = steady()
    positions -= 580.0  # lost at 19 mm
    positions[100:110] = 900.0
    positions[110:] = np.arange(90) * 1.0
    found = filtered(times, positions, limits())
    assert not found.good[100:].any()


def test_late_return_is_not_found() -> None:
    """More than a second after it was lost the counter may be anywhere."""
    times, positions = steady(400)
    positions[100:210] = 3000.0
    assert not filtered(times, positions, limits()).good[100:].any()


def test_garbage_without_end_loses_the_position() -> None:
    """Counts that agree with nothing are no position, and none of them is taken for one."""
    times, positions = steady(400)
    rng = np.random.default_rng(1)
    positions[100:] = rng.uniform(-200_000, 200_000, 300)
    found = filtered(times, positions, limits())
    assert not found.good[100:].any()
    assert [event.lost for event in found.events] == [True]


@pytest.mark.parametrize("off", [-2000.0, 15.0])
def test_wrong_first_sample_is_outvoted(off: float) -> None:
    """One sample is no evidence against three that agree, even if motion explains the step."""
    times, positions = steady(20)
    positions[0] += off
    found = filtered(times, positions, limits())
    assert np.flatnonzero(~found.good).tolist() == [1, 2]
    assert np.flatnonzero(found.resets).tolist() == [3]
    assert found.made.glitches == 1
    assert found.events == []


def test_glitch_is_decided_by_the_next_sample() -> None:
    """It costs a wait for one sample, and so does a start from rest."""
    times, positions = steady(20)
    positions[10] += 30.0
    found = filtered(times, positions, limits())
    assert np.flatnonzero(~found.good).tolist() == [10]
    assert found.by.tolist() == [*range(10), 11, *range(11, 20)]
    assert found.made.glitches == 1


def test_small_glitch_that_passed_does_not_lose_the_position() -> None:
    """A glitch within what motion explains leads the course astray for one sample only."""
    times, positions = steady(40, rate=1000.0, speed=250.0)
    positions[20] += 0.3
    positions[21:] -= 0.1
    found = filtered(times, positions, limits())
    assert found.events == []
    assert found.good.sum() >= 37


@pytest.mark.parametrize(
    ("set_limits", "step", "good"),
    [
        ({"max_speed": 600.0, "max_acceleration": 1e6}, 4.0, True),
        ({"max_speed": 300.0, "max_acceleration": 1e6}, 4.0, False),
        ({"max_acceleration": 100_000.0}, 5.5, True),
        ({"max_acceleration": 2_000.0}, 1.9, False),
        ({}, 1.9, False),
        ({}, 0.9, True),
    ],
)
def test_limits_of_the_station_file_are_in_force(
    set_limits: dict[str, float], step: float, good: bool
) -> None:
    """A sample off the line by `step`, mm, that no later one confirms."""
    times, positions = steady(30)
    positions[20] += step
    assert filtered(times, positions, limits(**set_limits)).good[20] == good


def test_encoder_at_rest_decides_without_a_next_sample() -> None:
    """What motion explains is where it rests; anything else is a lost position."""
    times, positions = steady(20)
    for jump, lost in ((2.2, False), (300.0, True)):
        moved = positions.copy()
        moved[-1] += jump
        made, usual = GlitchFilter(limits(rests=True)), UsualInterval()
        assert made.keep(times, moved, usual.follow(times)).good.size == 19
        verdicts = made.decide(usual.value)
        assert verdicts.good.tolist() == [not lost]
        assert made.lost == lost
        assert [event.lost for event in verdicts.events] == [True] * lost


def test_restart_takes_the_next_sample_wherever_it_is() -> None:
    """After a reference the samples before are no measure, and the position is not lost."""
    times, positions = steady(40)
    made, usual = GlitchFilter(limits()), UsualInterval()
    made.keep(times[:20], positions[:20], usual.follow(times[:20]))
    made.lose()
    assert made.lost
    assert not made.keep(times[20:30], positions[20:30], usual.follow(times[20:30])).good.any()
    made.restart()
    later = made.keep(times[30:], positions[30:] + 900.0, usual.follow(times[30:]))
    assert later.good.all()
    assert not made.lost


def test_ordinary_of_arrays_is_that_of_single_samples() -> None:
    """Both forms of the rule agree, at rest, in motion and beyond."""
    rng = np.random.default_rng(7)
    for set_limits in ({}, {"max_speed": 300.0}, {"max_acceleration": 900.0}, {"rests": True}):
        made = limits(periods=(50.0,), **set_limits)
        spans = rng.choice([1e-7, 0.002, 0.01, 0.3, 2.0], 400)
        t = 10.0 + np.cumsum(spans)
        x = np.cumsum(rng.normal(0.0, 1.0, 400) * rng.choice([0.0, 0.5, 3.0], 400))
        usual = np.full(399, 0.01)
        strides = rng.choice([1, 1, 1, 2], 399)
        n = np.concatenate(([0], np.cumsum(strides)))
        found = made.ordinary(made.steps(x), np.diff(t), strides, usual)
        for k in range(2, 400):
            *before, last = [Sample(t[j], x[j], int(n[j])) for j in (k - 2, k - 1, k)]
            one = made.fit(before, last, 0.01)
            if t[k] - t[k - 1] <= 0.05 or "rests" in set_limits:
                assert found[k - 2] == one.ordinary
            else:  # a silence: looked at by itself
                assert not found[k - 2]


def test_speed_limit_is_learnt_from_the_motion() -> None:
    """2 m/s at first, half as much again as most of a block moved, never more than 20 m/s."""
    made = limits()
    assert made.speed == 2000.0
    made.learn(np.full(512, 3000.0))
    assert made.speed == 4500.0
    made.learn(np.full(512, 10.0))
    assert made.speed == 4500.0
    made.learn(np.append(np.full(480, 1.0), np.full(32, 1e5)))
    assert made.speed == 4500.0
    made.learn(np.full(512, 1e5))
    assert made.speed == 20_000.0
