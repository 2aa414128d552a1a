"""What lies between samples, against a model in plain Python and against the truth."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.echo_model import model_times, scans, settings
from swathe.echo import measure

# Zero crossings need a polarity; the others take any.
WAYS = [
    (kind, polarity)
    for kind in ("flank", "peak", "zero_crossing")
    for polarity in ("positive", "negative", "either")
    if (kind, polarity) != ("zero_crossing", "either")
]


def times(waves: Any, **gate: Any) -> Any:
    """Return measured places in samples."""
    found = measure(waves, interval_us=1.0, start_us=0.0, settings=settings(gate))
    return found.time_of_flight


@pytest.mark.parametrize(("kind", "polarity"), WAYS)
@given(
    echoes=st.lists(st.tuples(st.floats(0.5, 4.0), st.floats(5.0, 95.0)), max_size=3),
    phase=st.floats(-3.1, 3.1),
    noise=st.sampled_from((0.0, 0.5, 3.0)),
    seed=st.integers(0, 2**32 - 1),
)
def test_measures_agree_with_the_model(
    kind: str,
    polarity: str,
    echoes: list[tuple[float, float]],
    phase: float,
    noise: float,
    seed: int,
) -> None:
    """Any echoes, near or far, weak or strong, are measured as the model does one by one.

    Nearer than 0.5 µs, two and a half periods, they may extinguish each other: that has no time.
    """
    if kind == "zero_crossing":
        noise = min(noise, 0.5)  # more, without a band-pass, makes crossings of its own
    at = 0.5 + np.cumsum([gap for gap, _ in echoes])
    heights = [height for _, height in echoes]
    waves = scans([zip(at, heights, strict=True)], phase=phase, sigma=0.15)
    waves += np.random.default_rng(seed).normal(0, noise, waves.shape).astype(np.float32)
    gate = {"start": "60 us", "width": "380 us", "measure": kind, "polarity": polarity}
    got = float(times(waves, **gate)[0])
    # Single and double precision may part on the very border of found and not found.
    expected = [
        model_times(
            scale * waves[0], first=60, width=381, threshold=20.0, kind=kind, polarity=polarity
        )
        for scale in (1.0, 1 - 1e-5, 1 + 1e-5)
    ]
    if math.isnan(got):
        assert [] in expected
    else:
        assert any(abs(got - one) < 0.01 for ones in expected for one in ones), (got, expected)


@pytest.mark.parametrize("phase", [-1.2, -0.5, 0.0, 0.5, 1.2])
@pytest.mark.parametrize(("polarity", "turn"), [("positive", 0.0), ("negative", math.pi)])
@pytest.mark.parametrize("frequency", [2.0, 5.0, 10.0])
def test_zero_crossing_is_the_true_one(
    phase: float, polarity: str, turn: float, frequency: float
) -> None:
    """The falling zero behind the main half cycle is found to a hundredth of a sample or better.

    The cosine of 2π·f·t + phase peaks at t = -phase/(2π·f) and is zero a quarter of a period later,
    whatever the Gaussian over it.
    """
    at = np.linspace(3.0, 3.1, 41)
    waves = scans(
        [[(one, 80.0)] for one in at],
        frequency=frequency,
        sigma=0.6 / frequency,
        phase=phase + turn,
    )
    true = at + (math.pi / 2 - phase) / (2 * math.pi * frequency)
    found = measure(
        waves, interval_us=0.02, start_us=0.0, settings=settings({"polarity": polarity})
    )
    assert np.abs(found.time_of_flight - true).max() < 0.01 * 0.02


def test_peak_between_samples() -> None:
    """A parabola's top is found exactly, on the positive and on the negative side."""
    x = np.arange(64.0)
    hill = np.maximum(60 - 0.5 * (x - 30.3) ** 2, 0)
    gate = {"start": "5 us", "width": "50 us", "measure": "peak"}
    waves = np.array([hill, -hill], np.float32)
    assert times(waves, **gate, polarity="either") == pytest.approx([30.3, 30.3], abs=1e-4)
    assert times(waves, **gate, polarity="positive")[0] == pytest.approx(30.3, abs=1e-4)
    assert times(waves, **gate, polarity="negative")[1] == pytest.approx(30.3, abs=1e-4)


def test_flank_between_samples() -> None:
    """A straight flank from -30 to 50 % meets 20 % at five eighths of the way."""
    wave = np.zeros((1, 64), np.float32)
    wave[0, 20:24] = (-10, -30, 50, 10)
    got = times(wave, start="5 us", width="50 us", measure="flank")
    assert got == pytest.approx([21 + 50 / 80])
    # With both half cycles in view the first to reach 20 % is the negative one.
    got = times(wave, start="5 us", width="50 us", measure="flank", polarity="either")
    assert got == pytest.approx([20 + 10 / 20])


@pytest.mark.parametrize("phase", [-70.0, 0.0, 70.0])
@pytest.mark.parametrize(("frequency", "sampling"), [(2.0, 50.0), (5.0, 50.0), (5.0, 100.0)])
def test_zero_crossing_noise_of_20_db_skips_no_cycle(
    phase: float, frequency: float, sampling: float
) -> None:
    """With noise of a tenth of the peak no echo of 2000 is off by as much as a quarter period."""
    random = np.random.default_rng(7)
    at = random.uniform(2.0, 6.0, 2000)
    shape = {"frequency": frequency, "sigma": 0.6 / frequency, "phase": math.radians(phase)}
    waves = scans(
        [[(one, 80.0)] for one in at], samples=512, interval=1 / sampling, start=1.5, **shape
    )
    if sampling > 50:
        at_end = 1.5 + 512 / sampling
        waves, at = waves[at < at_end - 1], at[at < at_end - 1]
    waves += random.normal(0, 8.0, waves.shape).astype(np.float32)
    found = measure(
        waves,
        interval_us=1 / sampling,
        start_us=1.5,
        settings=settings(
            {"start": "1.6 us", "width": "5 us" if sampling > 50 else "6 us", "threshold": 40},
            band={"centre": f"{frequency} MHz", "bandwidth": 100},
        ),
    )
    true = at + (90 - phase) / (360 * frequency)
    assert found.found.all()
    assert np.abs(found.time_of_flight - true).max() < 0.25 / frequency


def test_peak_that_still_rises_is_none() -> None:
    """Where the gate ends with the signal still rising there is no peak to measure."""
    wave = np.zeros((1, 64), np.float32)
    wave[0, 19:24] = (0, 30, 0, 0, 0)
    assert times(wave, start="5 us", width="50 us", measure="peak") == pytest.approx([20.0])
    rising = settings({"start": "5 us", "width": "16 us", "measure": "peak"})
    wave[0, 20:24] = (30, 60, 90, 30)
    found = measure(wave, interval_us=1.0, start_us=0.0, settings=rising)
    assert found.gates["A"].cut.tolist() == [True]
    assert found.found.tolist() == [False]
