"""Times that may be those of another echo, another cycle or another polarity are flagged."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daemon.echo_model import scans, settings
from swathe.echo import AmbiguityReason, Echoes, EchoSettings, measure
from swathe.echo.half_cycles import closed
from swathe.echo.noise import noise_of

KINDS = ("flank", "peak", "zero_crossing")
VELOCITY = 5.92  # mm/µs
# A flank that no amplitude and no noise of these tests moves to another half cycle.
SURE: dict[str, Any] = {"flank_level": 50}


def measured(waves: Any, asked: EchoSettings, zero: float = 0.0) -> Echoes:
    """Return what A-scans at 50 MS/s tell."""
    return measure(waves, interval_us=0.02, start_us=0.0, settings=asked, zero_offset_us=zero)


def gate(kind: str, **changes: Any) -> dict[str, Any]:
    """Return a gate with a measure; a flank is at half of the echo's own height."""
    return {"measure": kind} | (SURE if kind == "flank" else {}) | changes


def noisy(waves: Any, percent: float, seed: int = 3) -> Any:
    """Return A-scans with white noise."""
    random = np.random.default_rng(seed)
    return waves + random.normal(0, percent, waves.shape).astype(np.float32)


def reasons(echoes: Echoes) -> list[AmbiguityReason]:
    """Return why each time of flight is ambiguous."""
    return [AmbiguityReason(int(bits)) for bits in echoes.reasons]


HEIGHTS = np.linspace(25.0, 99.0, 75)


def test_flank_at_a_fixed_height_jumps_and_is_flagged() -> None:
    """At 20 % a strong echo is met one cycle, 0.59 mm, earlier: no such reading is unflagged."""
    waves = scans([[(4.0, height)] for height in HEIGHTS])
    got = measured(waves, settings(gate("flank", flank_level=None)))
    assert np.ptp(got.time_of_flight) * VELOCITY / 2 > 0.5
    assert got.found.all()
    assert got.ambiguous.all()
    assert set(reasons(got)) == {AmbiguityReason.CYCLE}


def test_flank_that_no_earlier_half_cycle_can_reach_is_certain() -> None:
    """The half cycle before is a quarter of the highest: 40 % is above it however strong the echo."""
    waves = scans([[(4.0, height)] for height in HEIGHTS[HEIGHTS > 42]])
    got = measured(waves, settings(gate("flank", flank_level=None, threshold=40)))
    assert not got.ambiguous.any()
    assert np.ptp(got.time_of_flight) * VELOCITY / 2 < 0.11
    # Barely above the threshold, noise might have had it missed, and the next one taken.
    low = measured(scans([[(4.0, 40.5)]]), settings(gate("flank", flank_level=None, threshold=40)))
    assert low.ambiguous.tolist() == [True]


def test_flank_at_a_share_of_the_echo_does_not_move() -> None:
    """However strong the echo, the same point of the same half cycle is measured."""
    waves = scans([[(4.0, height)] for height in HEIGHTS])
    got = measured(waves, settings(gate("flank")))
    assert got.found.all()
    assert not got.ambiguous.any()
    assert np.ptp(got.time_of_flight) < 1e-5


def test_flank_at_the_height_of_a_half_cycle_is_ambiguous() -> None:
    """The half cycle before is 24.9 % of the highest: noise decides whether 25 % is met there."""
    waves = noisy(scans([[(4.0, 80.0)]] * 200), 1.0)
    got = measured(waves, settings(gate("flank", flank_level=25)))
    jumped = got.time_of_flight < np.median(got.time_of_flight) - 0.1
    jumped |= got.time_of_flight > np.median(got.time_of_flight) + 0.1
    assert 0.1 < jumped.mean() < 0.9
    assert got.ambiguous.all()


@pytest.mark.parametrize("kind", KINDS)
def test_thinner_of_two_levels_is_measured_and_flagged(kind: str) -> None:
    """Under one beam 10.0 and 20.0 mm: the first echo is the wall, the second one is reported."""
    ten, twenty = 20.0 / VELOCITY, 40.0 / VELOCITY
    waves = scans([[(ten, 40.0), (twenty, 80.0)], [(ten, 40.0)]])
    got = measured(waves, settings(gate(kind)))
    assert got.time_of_flight[0] == pytest.approx(got.time_of_flight[1], abs=1e-3)
    assert reasons(got) == [AmbiguityReason.SECOND_ECHO, AmbiguityReason.NONE]
    second = got.gates["A"].second_time
    assert second[0] - got.time_of_flight[0] == pytest.approx(twenty - ten, abs=5e-3)
    assert np.isnan(second[1])


@pytest.mark.parametrize("kind", ["flank", "peak"])
def test_thinner_of_two_levels_is_measured_in_rectified_scans(kind: str) -> None:
    """Half cycles of one echo are no two echoes, and two echoes are not one."""
    ten, twenty = 20.0 / VELOCITY, 40.0 / VELOCITY
    waves = np.abs(scans([[(ten, 40.0), (twenty, 80.0)], [(ten, 40.0)]]))
    got = measured(waves, settings(gate(kind), rectified=True))
    assert got.time_of_flight[0] == pytest.approx(got.time_of_flight[1], abs=1e-3)
    assert got.ambiguous.tolist() == [True, False]
    assert got.gates["A"].second_time[0] - got.time_of_flight[0] == pytest.approx(
        twenty - ten, abs=5e-3
    )


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("apart", [0.4, 0.6, 1.0, 1.5, 2.7])
def test_second_echo_between_the_repeats_is_seen(kind: str, apart: float) -> None:
    """A lower second level is not taken for a repeat, from two cycles after the first one on."""
    waves = scans([[(3.0, 60.0), (3.0 + apart, 50.0)]])
    got = measured(waves, settings(gate(kind, width="5.5 us")))
    assert reasons(got) == [AmbiguityReason.SECOND_ECHO]
    assert got.gates["A"].second_time[0] - got.time_of_flight[0] == pytest.approx(apart, abs=0.02)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("zero", [0.0, 0.4])
def test_repeats_of_the_wall_are_no_second_echo(kind: str, zero: float) -> None:
    """What follows at the echo's own time again, no higher, is the same wall."""
    walls = np.linspace(1.2, 4.0, 30)
    waves = scans([[(zero + k * one, 90.0 * 0.75**k) for k in (1, 2, 3, 4, 5)] for one in walls])
    asked = settings(gate(kind, start="0.6 us"))
    got = measured(noisy(waves, 1.0), asked, zero)
    assert got.found.all()
    assert not got.ambiguous.any()
    # The same echo higher than the one before it is another one.
    waves = scans([[(zero + one, 40.0), (zero + 2 * one, 60.0)] for one in walls])
    assert measured(waves, asked, zero).ambiguous.all()


def test_repeats_are_those_behind_the_interface() -> None:
    """Under a water path the wall's repeats are as far apart as it is from the interface."""
    front = {"name": "front", "start": "0.5 us", "width": "2 us"}
    wall = {"after": "interface", "start": "0.8 us", "width": "5 us"}
    asked = settings(front, wall, interface="front")
    waves = scans([[(1.5, 80.0)] + [(1.5 + 1.3 * k, 60.0 * 0.7**k) for k in (1, 2, 3)]])
    assert not measured(waves, asked).ambiguous.any()
    waves = scans([[(1.5, 80.0), (2.8, 60.0), (3.5, 50.0)]])
    assert measured(waves, asked).ambiguous.all()


def test_repeats_behind_the_second_back_wall_are_its_own() -> None:
    """Echo to echo, what follows the second echo at the same distance is the third."""
    asked = settings(
        {"start": "1 us", "width": "1.5 us"},
        {"name": "B", "after": "A", "start": "0.5 us", "width": "5 us"},
        mode="echo to echo",
        time_of_flight=["A", "B"],
    )
    train = [(2.0 + 1.1 * k, 80.0 * 0.8**k) for k in range(5)]
    got = measured(scans([train, [*train[:2], (3.7, 60.0)]]), asked)
    assert got.time_of_flight[0] == pytest.approx(1.1, abs=1e-3)
    assert got.ambiguous.tolist() == [False, True]


@pytest.mark.parametrize("kind", KINDS)
def test_weaker_echo_before_the_wall_is_flagged(kind: str) -> None:
    """A thin place that reflects too little for the threshold is not passed over in silence."""
    waves = noisy(
        scans([[(3.4, 14.0), (6.7, 80.0)], [(6.7, 80.0)], [(3.4, 7.0), (6.7, 80.0)]]), 0.5
    )
    got = measured(waves, settings(gate(kind)))
    assert reasons(got) == [AmbiguityReason.EARLIER_ECHO, *[AmbiguityReason.NONE] * 2]
    assert got.time_of_flight[0] - got.gates["A"].second_time[0] == pytest.approx(3.3, abs=0.03)


def test_end_of_what_was_before_the_gate_is_no_echo() -> None:
    """What rings down from the transmitted pulse into the gate is not a thinner wall."""
    waves = scans([[(0.8, 60.0), (4.0, 80.0)]], sigma=0.12)
    times = 0.02 * np.arange(waves.shape[1])
    waves += (
        np.where(times > 0.8, 18.0, 0.0).astype(np.float32)
        * np.exp(-np.maximum(times - 0.8, 0) / 1.0).astype(np.float32)
        * np.cos(2 * np.pi * 5 * times).astype(np.float32)
    )
    assert not measured(waves, settings({"start": "1.2 us"})).ambiguous.any()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("polarity", ["positive", "negative"])
def test_echo_of_the_other_polarity_is_flagged(kind: str, polarity: str) -> None:
    """An inverted echo moves the measured point by half a cycle, 0.30 mm: every one is flagged."""
    sign = 1 if polarity == "positive" else -1
    at = np.linspace(3.0, 3.1, 50)
    asked = settings(gate(kind, polarity=polarity), band={"centre": "5 MHz"})
    right = measured(noisy(scans([[(one, 70.0 * sign)] for one in at]), 2.0), asked)
    wrong = measured(noisy(scans([[(one, -70.0 * sign)] for one in at]), 2.0), asked)
    assert right.found.all()
    assert not right.ambiguous.any()
    assert wrong.found.all()
    assert all(one & AmbiguityReason.POLARITY for one in reasons(wrong))
    moved = (wrong.time_of_flight - right.time_of_flight) * VELOCITY / 2
    assert np.abs(moved).min() > 0.25


def test_peaks_as_high_but_for_noise_are_ambiguous() -> None:
    """In a long narrow-band pulse the half cycle next to the highest one is nearly as high."""
    waves = noisy(scans([[(4.0, 80.0)]] * 400, sigma=0.6), 4.0)
    got = measured(waves, settings(gate("peak")))
    off = np.abs(got.time_of_flight - 4.0) > 0.1
    assert off.any()
    assert got.ambiguous[off].all()
    assert not measured(scans([[(4.0, 80.0)]]), settings(gate("peak"))).ambiguous.any()


def test_no_echo_is_not_ambiguous() -> None:
    """Noise below the threshold has no time, and hence no other one."""
    got = measured(noisy(scans([[]] * 50), 3.0), settings({"threshold": 40}))
    assert not got.found.any()
    assert not got.ambiguous.any()
    assert not got.gates["A"].reasons.any()


def test_reasons_are_counted_by_name() -> None:
    """Counts are of the rows that are asked for, by words."""
    waves = scans([[(4.0, -80.0)], [(4.0, 80.0)], [(3.0, 40.0), (6.4, 80.0)]])
    got = measured(waves, settings(gate("peak")))
    assert got.reason_counts(np.array([True, True, True])) == {
        # Of an inverted echo two half cycles of the gate's sign are equally high.
        "cycle": 1,
        "polarity": 1,
        "second echo": 1,
    }
    assert got.reason_counts(np.array([False, True, True])) == {"second echo": 1}
    assert got.reason_counts(np.array([False, True, False])) == {}


@pytest.mark.parametrize("samples", [64, 512, 1000])
def test_noise_is_that_of_the_quiet_stretches(samples: int) -> None:
    """White noise is known to a quarter, with and without echoes; silence is an 8-bit rounding."""
    waves = noisy(np.zeros((400, samples), np.float32), 3.0)
    assert np.median(noise_of(waves)) == pytest.approx(3.0, rel=0.25)
    waves[:, : samples // 2] += 60
    assert np.median(noise_of(waves)) == pytest.approx(3.0, rel=0.35)
    assert noise_of(np.zeros((1, samples), np.float32)) == pytest.approx([0.2273], abs=1e-4)


def test_gaps_between_half_cycles_are_closed() -> None:
    """A rectified burst comes out as one hill, no lower than the signal; two bursts stay two."""
    waves = np.abs(scans([[(3.0, 60.0), (5.0, 80.0)], [(3.0, 60.0)], []]))
    filled = closed(waves)
    assert (filled >= waves).all()
    hill = slice(145, 156)  # from the half cycle before to that after the highest
    assert filled[1, hill].min() > 35
    assert waves[1, hill].min() < 20
    assert filled[0, 190:210].max() < 1.0
    assert (filled[2] == 0).all()


@pytest.mark.parametrize("kind", KINDS)
def test_lower_level_hidden_in_the_rise_is_flagged(kind: str) -> None:
    """Two cycles before a wall twice as high there is no dip to see, but a rise that is too long."""
    hidden = scans([[(4.0, 40.0), (4.4, 80.0)], [(4.4, 80.0)]], sigma=0.15)
    got = measured(
        noisy(hidden, 1.0), settings(gate(kind, flank_level=70) if kind == "flank" else gate(kind))
    )
    assert got.found.all()
    assert reasons(got)[0] & AmbiguityReason.EARLIER_ECHO
    assert not reasons(got)[1]
