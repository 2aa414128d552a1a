"""Counts to mm: wheel, roll-over, play, and samples that cannot be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe.pipeline.placing.encoder import CountsToPosition, follow_with_backlash
from swathe.station.model import AxisSettings, WheelSettings

MS = 1_000_000


def axis(**settings: object) -> AxisSettings:
    """Return an axis of 100 mm."""
    return AxisSettings.model_validate({"length": "100 mm", "resolution": "1 mm", **settings})


def test_wheel_counts_per_mm() -> None:
    """A 50 mm wheel with 1024 lines, four edges each: pi d / (4 N) mm a count.

    157.0796327 mm a turn and 0.03834951970 mm a count, by arithmetic from the formula.
    """
    given_as = {"diameter": "50 mm", "pulses": 1024, "edges": 4}
    wheel = WheelSettings.model_validate(given_as)
    assert 1 / wheel.counts_per_mm == pytest.approx(0.03834951970, abs=1e-10)
    assert 4096 / wheel.counts_per_mm == pytest.approx(157.0796327, abs=1e-7)
    scale = CountsToPosition(axis(wheel=given_as), period=None, is_length=False)
    assert scale.positions(np.array([4096.0]))[0] == pytest.approx(50 * math.pi)


@given(
    st.lists(st.integers(-3000, 3000), min_size=1, max_size=60),
    st.sampled_from([8, 16, 24, 32]),
    st.integers(1, 7),
)
def test_roll_over_is_undone(steps: list[int], bits: int, piece: int) -> None:
    """A counter of any width is followed over its end, however the stream is cut."""
    most = (1 << (bits - 1)) - 1
    steps = [max(-most, min(most, step)) for step in steps]
    true = np.cumsum(steps)
    sent = np.mod(true, 1 << bits).astype(float)
    scale = CountsToPosition(axis(counts_per_mm=1), period=1 << bits, is_length=False)
    found = np.concatenate(
        [scale.positions(sent[k : k + piece]) for k in range(0, sent.size, piece)]
    )
    assert found.tolist() == true.tolist()


@given(
    st.lists(st.floats(-50, 50), min_size=1, max_size=80), st.floats(0.01, 5), st.floats(-50, 50)
)
def test_play_follows_like_a_loop_over_samples(
    positions: list[float], play: float, start: float
) -> None:
    """The array form of the play operator agrees with its plain definition."""
    expected = []
    at = start
    for position in positions:
        at = min(max(at, position - play / 2), position + play / 2)
        expected.append(at)
    found = follow_with_backlash(np.array(positions), play, start)
    assert found == pytest.approx(expected, abs=1e-12)


def test_play_holds_the_probe_on_a_reversal() -> None:
    """The probe stays while the encoder moves through the play, then follows half of it behind."""
    scale = CountsToPosition(axis(counts_per_mm=1, backlash="2 mm"), period=None, is_length=False)
    out = scale.positions(np.arange(0.0, 11.0))
    back = scale.positions(np.arange(10.0, -1.0, -1.0))
    assert out[-1] == 9.0
    assert back.tolist() == [9.0, 9.0, 9.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0]


def test_index_mark_sets_the_position_and_tells_the_drift() -> None:
    """From the mark on positions are told from its place; a wheel that slipped since is put right."""
    scale = CountsToPosition(
        axis(counts_per_mm=10, index_mark_at="50 mm"), period=None, is_length=False
    )
    counts = np.arange(0.0, 1000.0, 10.0)
    marks = np.zeros(counts.size, bool)
    marks[30] = True
    first = scale.positions(counts, marks)
    assert first[29] == 29.0
    assert first[30] == 50.0
    assert first[-1] == pytest.approx(50 + 69)
    later = scale.positions(np.array([500.0, 290.0, 280.0]), np.array([False, True, False]))
    assert later.tolist() == pytest.approx([70.0, 50.0, 49.0])
    assert scale.drifts == pytest.approx([20.0, 1.0])


def test_positions_modulo_a_circumference_go_on_over_the_seam() -> None:
    """A device that tells its place on the pipe is followed over the seam, both ways."""
    around = axis(length="400 mm", mode="wrapped")
    scale = CountsToPosition(around, period=None, is_length=True)
    assert scale.positions(np.array([380.0, 395.0, 10.0])).tolist() == [380.0, 395.0, 410.0]
    assert scale.positions(np.array([25.0, 399.0, 370.0])).tolist() == [425.0, 399.0, 370.0]


@pytest.mark.parametrize("start", [0.0, 150.0, 399.0])
@pytest.mark.parametrize("step", [199.0, -199.0, 1.0, -1.0, 150.0])
def test_shorter_path_round_a_pipe_is_taken(start: float, step: float) -> None:
    """Up to half of the circumference a step is followed as it is, over the seam or not."""
    scale = CountsToPosition(axis(length="400 mm", mode="wrapped"), period=None, is_length=True)
    true = start + step * np.arange(6)
    first = scale.positions(np.mod(true[:3], 400.0))
    then = scale.positions(np.mod(true[3:], 400.0))
    assert np.concatenate((first, then)).tolist() == true.tolist()


def test_backlash_and_seam_go_on_from_call_to_call() -> None:
    """Whatever the pieces of the stream, positions are those of the whole."""
    settings = axis(counts_per_mm=1, backlash="2 mm")
    counts = np.array([0.0, 3.0, 6.0, 5.0, 4.5, 3.0, 2.0, 7.0, 9.0, 8.0])
    whole = CountsToPosition(settings, period=None, is_length=False).positions(counts)
    for cut in range(1, 6):
        scale = CountsToPosition(settings, period=None, is_length=False)
        parts = [scale.positions(counts[k : k + cut]) for k in range(0, counts.size, cut)]
        assert np.concatenate(parts).tolist() == whole.tolist()
    around = axis(length="400 mm", mode="wrapped")
    lengths = np.array([380.0, 395.0, 10.0, 25.0, 399.0, 370.0, 5.0])
    whole = CountsToPosition(around, period=None, is_length=True).positions(lengths)
    for cut in range(1, 5):
        scale = CountsToPosition(around, period=None, is_length=True)
        parts = [scale.positions(lengths[k : k + cut]) for k in range(0, lengths.size, cut)]
        assert np.concatenate(parts).tolist() == whole.tolist()


@pytest.mark.parametrize("backlash", ["0 mm", "2 mm"])
@pytest.mark.parametrize("mode", ["encoded", "wrapped"])
@pytest.mark.parametrize("mark_at", [None, "50 mm"])
def test_reference_shifts_all_later_positions(
    backlash: str, mode: str, mark_at: str | None
) -> None:
    """After a reference the same count is the reference position, and others follow from it."""
    extra = {} if mark_at is None else {"index_mark_at": mark_at}
    settings = axis(counts_per_mm=1, backlash=backlash, length="400 mm", mode=mode, **extra)
    scale = CountsToPosition(settings, period=None, is_length=False)
    before = scale.positions(np.array([100.0, 110.0, 120.0]), np.zeros(3, bool))
    scale.set_here(before[-1] + 30.0, before[-1])
    after = scale.positions(np.array([120.0, 130.0]), np.zeros(2, bool))
    assert after.tolist() == pytest.approx([before[-1] + 30.0, before[-1] + 40.0])


def test_reversed_axis_counts_the_other_way() -> None:
    """A reversed axis falls where the counts rise, from the zero count and its position on."""
    settings = axis(counts_per_mm=10, reversed=True, zero_count=100, zero_at="7 mm")
    scale = CountsToPosition(settings, period=None, is_length=False)
    assert scale.positions(np.array([100.0, 150.0, 50.0])).tolist() == [7.0, 2.0, 12.0]
    as_length = CountsToPosition(axis(reversed=True, zero_at="7 mm"), period=None, is_length=True)
    assert as_length.positions(np.array([0.0, 2.0])).tolist() == [7.0, 5.0]


@pytest.mark.parametrize(
    ("first", "then", "positions"),
    [
        (0.0, 127.0, [0.0, 127.0]),
        (0.0, 129.0, [0.0, -127.0]),  # more than half of 256
        (100.0, 250.0, [100.0, -6.0]),
        (200.0, 10.0, [-56.0, 10.0]),  # the first count is on the side nearer to zero
        (255.0, 0.0, [-1.0, 0.0]),
    ],
)
def test_roll_over_of_eight_bits(first: float, then: float, positions: list[float]) -> None:
    """The smaller of the two possible steps is taken, in one batch and in two."""
    made = axis(counts_per_mm=1)
    together = CountsToPosition(made, period=1 << 8, is_length=False)
    assert together.positions(np.array([first, then])).tolist() == positions
    apart = CountsToPosition(made, period=1 << 8, is_length=False)
    assert apart.positions(np.array([first])).tolist() == positions[:1]
    assert apart.positions(np.empty(0)).tolist() == []
    assert apart.positions(np.array([then])).tolist() == positions[1:]


def test_index_mark_after_a_reference_returns_to_the_mark() -> None:
    """A reference shifts until the next mark; the mark's drift is counted from the shift."""
    scale = CountsToPosition(
        axis(counts_per_mm=1, index_mark_at="30 mm"), period=None, is_length=False
    )
    assert scale.positions(np.array([10.0]), np.array([False])).tolist() == [10.0]
    scale.set_here(50.0, 10.0)
    marks = np.array([False, True, False, True])
    assert scale.positions(np.array([11.0, 12.0, 13.0, 12.0]), marks).tolist() == [
        51.0, 30.0, 31.0, 30.0,
    ]  # fmt: skip
    assert scale.drifts == [-22.0, 0.0]
    assert scale.resets.tolist() == [False, True, False, False]


def test_backlash_continues_from_the_reference() -> None:
    """The probe is set with the encoder: the next sample at the same counts moves it nowhere."""
    scale = CountsToPosition(axis(backlash="2 mm"), period=None, is_length=False)
    before = scale.positions(np.array([0.0, 100.0]))
    scale.set_here(50.0, float(before[-1]))
    assert scale.positions(np.array([100.0, 99.0])).tolist() == pytest.approx([50.0, 50.0])
