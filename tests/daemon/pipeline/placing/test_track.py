"""Where an axis was: exact at its samples, a straight line between them, nothing beyond."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.placing.track import NEVER_KNOWN, EncodedTrack, SteppedTrack

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


LATENESS = 30


def on_change() -> EncodedTrack:
    """Return the track of an encoder that sends on change, whose samples come 30 ns late at most."""
    return EncodedTrack(bracket_ns=BRACKET, lateness_ns=LATENESS)


def rest(made: EncodedTrack, *samples: tuple[int, float, int], broken: bool = False) -> None:
    """Add samples in (ns, mm, ns of arrival) of an encoder that sends on change."""
    time, mm, known = zip(*samples, strict=True)
    made.append(
        np.array(time, np.int64),
        np.array(mm),
        known=np.array(known, np.int64),
        rests=True,
        broken=broken,
    )


def known_from(made: EncodedTrack, *times: int) -> list[int | None]:
    """Return from when each of `times` is bracketed; None where that is not known by now."""
    found = made.bracketed_from(np.array(times, np.int64)).tolist()
    return [None if known == NEVER_KNOWN else known for known in found]


def test_encoder_that_sends_on_change_rested_until_its_next_sample() -> None:
    """From each sample it rested until its lateness before the next one arrived."""
    made = on_change()
    rest(made, (100, 1.0, 110), (1000, 2.0, 1020), (1010, 3.0, 1030))
    assert made.times.tolist() == [100, 990, 1000, 1010]
    assert made.positions.tolist() == [1.0, 1.0, 2.0, 3.0]
    assert made.known.tolist() == [110, 1020, 1020, 1030]
    assert made.holds.tolist() == [False, True, False, False]
    assert made.resets.tolist() == [False] * 4
    assert where(made, 500, 990, 995, 1005) == [1.0, 1.0, 1.5, 2.5]


def test_hold_before_a_position_reset_is_no_reset() -> None:
    """The axis rested where it was; the sample after it is the reset."""
    made = on_change()
    made.append(
        np.array([100, 1000], np.int64),
        np.array([1.0, 9.0]),
        np.array([False, True]),
        rests=True,
    )
    assert made.times.tolist() == [100, 970, 1000]
    assert made.resets.tolist() == [False, False, True]
    assert where(made, 970, 985, 1000) == [1.0, None, 9.0]


@pytest.mark.parametrize("cut", [1, 2, 3, 9])
def test_rests_are_the_same_wherever_the_samples_are_cut(cut: int) -> None:
    """A rest that lasts while samples are added and held is the one of all samples at once."""
    samples = [(100, 1.0, 110), (400, 2.0, 420), (405, 3.0, 425), (900, 3.0, 960), (2000, 4, 2001)]
    whole, parted = on_change(), on_change()
    rest(whole, *samples)
    for begin in range(0, len(samples), cut):
        some = samples[begin : begin + cut]
        parted.hold(some[0][2] - 1)
        rest(parted, *some)
        parted.hold(some[-1][2] + 40)
    rest(parted, (2100, 5.0, 2101))
    rest(whole, (2100, 5.0, 2101))
    for name in ("times", "positions", "known", "resets", "holds"):
        assert getattr(parted, name).tolist() == getattr(whole, name).tolist(), name


def test_nothing_is_held_before_the_first_sample_nor_across_a_break() -> None:
    """Where the axis was while the port was lost is not known; within the samples it is."""
    made = on_change()
    rest(made, (100, 1.0, 110))
    assert made.holds.tolist() == [False]
    rest(made, (1000, 2.0, 1010), (2000, 3.0, 2010), broken=True)
    assert made.times.tolist() == [100, 1000, 1980, 2000]
    assert where(made, 500, 1500) == [None, 2.0]


def test_hold_lasts_until_the_lateness_before_the_present() -> None:
    """It moves on with each call, is known with the last sample and is not settled."""
    made = on_change()
    made.hold(500)
    assert made.times.size == 0
    rest(made, (100, 1.0, 110))
    made.hold(130)
    assert made.times.tolist() == [100]  # nothing was held yet
    made.hold(500)
    assert (made.times.tolist(), made.known.tolist()) == ([100, 470], [110, 110])
    assert (made.holds.tolist(), made.settled) == ([False, True], 1)
    made.hold(700)
    assert made.times.tolist() == [100, 670]
    assert where(made, 300, 670, 671) == [1.0, 1.0, None]
    made.hold(600)
    assert made.times.tolist() == [100, 570]


def test_final_hold_stays_and_is_known_when_the_port_was_lost() -> None:
    """From its end to the next sample nothing is known."""
    made = on_change()
    rest(made, (100, 1.0, 110))
    made.hold(400)
    made.hold(500, final=True)
    assert (made.times.tolist(), made.known.tolist()) == ([100, 470], [110, 500])
    assert made.settled == 2
    rest(made, (1000, 2.0, 1010), broken=True)
    assert made.times.tolist() == [100, 470, 1000]
    assert where(made, 400, 600) == [1.0, None]


def test_place_within_a_rest_is_known_once_the_lateness_has_passed() -> None:
    """Not before the last sample arrived, and whether the rest has ended by then or not."""
    made = on_change()
    rest(made, (100, 1.0, 160))
    made.hold(500)
    expected = [160, 160, 230, 430]
    assert known_from(made, 100, 120, 200, 400) == expected
    assert known_from(made, 470, 471) == [500, None]
    rest(made, (900, 2.0, 910))
    assert known_from(made, 100, 120, 200, 400) == expected
    assert known_from(made, 470, 880, 881, 900, 901) == [500, 910, 910, 910, None]


def test_place_between_two_samples_is_known_with_the_later_one() -> None:
    """At the time of a sample that one is enough; of an empty track nothing is known."""
    made = EncodedTrack(bracket_ns=BRACKET)
    assert known_from(made, 100) == [None]
    made.append(np.array([100, 200]), np.array([1.0, 2.0]), known=np.array([150, 260]))
    assert known_from(made, 50, 100, 101, 200, 201) == [150, 150, 260, 260, None]


def test_position_at_a_journal_time_is_that_of_the_last_sample_that_had_arrived() -> None:
    """A sample counts at the very time with which it arrived."""
    made = EncodedTrack(bracket_ns=BRACKET)
    assert made.position_at(100) is None
    made.append(np.array([100, 200]), np.array([1.0, 2.0]), known=np.array([150, 260]))
    found = [made.position_at(time) for time in (149, 150, 259, 260, 900)]
    assert found == [None, 1.0, 1.0, 2.0, 2.0]


def test_reset_is_within_the_piece_that_ends_at_its_time() -> None:
    """After the time before and not after the time itself; nothing is before the first time."""
    made = EncodedTrack(bracket_ns=BRACKET)
    resets = np.array([True, False, True])
    made.append(np.array([100, 200, 300]), np.array([1.0, 2.0, 9.0]), resets)

    def within(*times: int) -> list[bool]:
        return made.reset_within(np.array(times, np.int64)).tolist()  # type: ignore[no-any-return]

    assert within(50, 99, 100, 101) == [False, False, True, False]
    assert within(250, 299, 300, 301) == [False, False, True, False]
    assert within(299, 301, 400) == [False, True, False]
    assert within(300, 400) == [False, False]


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=6).map(sorted),
    st.lists(st.integers(-5, 45), max_size=40).map(sorted),
)
def test_samples_before_many_readings_are_those_before_each(
    samples: list[int], times: list[int]
) -> None:
    """Samples of the very time are not before it."""
    made = EncodedTrack(bracket_ns=BRACKET)
    made.append(np.array(samples, np.int64), np.zeros(len(samples)))
    found = made.samples_before(np.array(times, np.int64)).tolist()
    assert found == [sum(sample < time for sample in samples) for time in times]
