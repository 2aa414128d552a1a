"""Whether the latest readings on a step agree."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swathe.calibration import CalibrationError, Stability


def test_stability_waits_until_the_window_is_full() -> None:
    """Nine of ten readings are not enough, whatever they say."""
    watch = Stability(window=10, tolerance=0.02)
    state = watch.state
    assert (state.stable, state.readings, state.reason) == (False, 0, "0 of 10 readings are in")
    assert math.isnan(state.mean)
    state = watch.feed([1.94] * 9)
    assert (state.stable, state.reason) == (False, "9 of 10 readings are in")
    state = watch.feed(1.94)
    assert (state.stable, state.reason) == (True, "")
    assert (state.mean, state.sd) == pytest.approx((1.94, 0.0), abs=1e-12)


def test_stability_tells_mean_and_scatter_of_the_window() -> None:
    """Mean, standard deviation and count are those of the last readings, not of all."""
    times = np.random.default_rng(1).normal(1.94, 0.003, 20)
    watch = Stability(window=20, tolerance=0.02)
    watch.feed([9.0, 8.0, 7.0])
    state = watch.feed(times)
    assert state.stable
    assert state.readings == 20
    assert state.mean == pytest.approx(float(np.mean(times)))
    assert state.sd == pytest.approx(float(np.std(times, ddof=1)))
    assert state.spread == pytest.approx(float(np.ptp(times)))


def test_stability_one_by_one_is_as_all_at_once() -> None:
    """How the readings were cut into chunks makes no difference."""
    times = np.random.default_rng(2).normal(1.94, 0.01, 50)
    whole, single = Stability(window=8, tolerance=0.02), Stability(window=8, tolerance=0.02)
    for time in times:
        single.feed(time)
    assert whole.feed(times) == single.state


def test_stability_passes_over_readings_without_echo() -> None:
    """NaN neither counts nor harms."""
    watch = Stability(window=4, tolerance=0.02)
    state = watch.feed([1.94, math.nan, 1.94, math.nan, 1.95, math.inf])
    assert (state.readings, state.stable) == (3, False)
    assert watch.feed([math.nan, 1.95]).stable


def test_stability_spread_too_wide_is_told_until_it_has_passed() -> None:
    """One reading off makes it unstable until it leaves the window."""
    watch = Stability(window=5, tolerance=0.02)
    watch.feed([1.94, 1.94, 2.20])
    state = watch.feed([1.94, 1.94])
    assert not state.stable
    assert state.reason.startswith("the last 5 readings spread over 0.2600 µs, more than 0.02 µs")
    watch.feed([1.94, 1.94])
    assert watch.feed(1.94).stable


def test_stability_drift_is_told() -> None:
    """A film that still settles drifts within the tolerance, and is told with its sign."""
    watch = Stability(window=20, tolerance=0.02)
    noise = np.random.default_rng(3).normal(0, 0.001, 20)
    state = watch.feed(np.linspace(1.950, 1.936, 20) + noise)
    assert state.spread < 0.02
    assert not state.stable
    assert state.drift == pytest.approx(-0.014, abs=0.002)
    assert state.reason.startswith("the last 20 readings drift by -0.01")
    assert watch.feed(1.936 + noise).stable


@pytest.mark.parametrize("seed", range(50))
def test_stability_of_mere_noise_is_no_drift(seed: int) -> None:
    """Noise of an eighth of the tolerance is stable and never a drift."""
    times = np.random.default_rng(seed).normal(1.94, 0.0025, 20)
    assert Stability(window=20, tolerance=0.02).feed(times).stable


def test_stability_spread_of_just_the_tolerance_is_stable() -> None:
    """The rounding of decimals does not decide."""
    assert Stability(window=3, tolerance=0.02).feed([1.94, 1.96, 1.94]).stable


def test_stability_cleared_begins_anew() -> None:
    """On the next step nothing is left of the last."""
    watch = Stability(window=3, tolerance=0.02)
    assert watch.feed([1.94] * 3).stable
    watch.clear()
    assert watch.state.readings == 0
    assert watch.feed([3.63] * 3).mean == pytest.approx(3.63)


@pytest.mark.parametrize(
    ("window", "tolerance", "message"),
    [
        (2, 0.02, "'window' must be 3 readings or more"),
        (5, 0.0, "'tolerance' must be > 0 µs"),
        (5, math.nan, "'tolerance' must be > 0 µs"),
        (5, math.inf, "'tolerance' must be > 0 µs"),
        (5, -0.02, "'tolerance' must be > 0 µs"),
    ],
)
def test_stability_of_settings_that_cannot_be_is_refused(
    window: int, tolerance: float, message: str
) -> None:
    """A window of two tells no drift; a tolerance of nothing is never met."""
    with pytest.raises(CalibrationError, match=message):
        Stability(window=window, tolerance=tolerance)


@pytest.mark.parametrize(
    ("times", "stable"),
    [
        ((0.0, 0.25, 0.5), True),
        ((0.0, 0.2505, 0.501), False),
        ((0.5, 0.25, 0.0), True),
        ((0.501, 0.2505, 0.0), False),
        # Off the line by e in the middle, the slope s has a standard error of e / sqrt(3): with
        # s = 0.3 three of them are reached at e = 0.1732.
        ((0.0, 0.474, 0.6), True),
        ((0.0, 0.472, 0.6), False),
    ],
)
def test_stability_drift_at_its_threshold(times: tuple[float, ...], stable: bool) -> None:
    """Half the tolerance may be drifted, or any drift below three standard errors."""
    state = Stability(window=3, tolerance=1.0).feed(times)
    assert state.drift == pytest.approx(times[2] - times[0])
    assert state.stable is stable
    expected = (
        f"the last 3 readings drift by {times[2] - times[0]:+.4f} µs: "
        "wait until the couplant film has settled"
    )
    assert state.reason == ("" if stable else expected)


@pytest.mark.parametrize("unit", ["µs", "mm"])
def test_stability_spread_just_above_the_tolerance(unit: str) -> None:
    """A ten-thousandth more than the tolerance is too much; the text has the unit of what is fed."""
    watch = Stability(window=3, tolerance=0.02, unit=unit)
    assert watch.feed([1.94, 1.9600, 1.94]).stable
    state = watch.feed([1.94, 1.9601, 1.94])
    assert not state.stable
    assert state.reason.startswith(
        f"the last 3 readings spread over 0.0201 {unit}, more than 0.02 {unit}: hold the probe"
    )
    with pytest.raises(CalibrationError, match=rf"'tolerance' must be > 0 {unit} \(got 0\)"):
        Stability(window=3, tolerance=0, unit=unit)


def test_stability_of_none_one_and_two_readings() -> None:
    """Two readings have a scatter, one has none, and nothing has no mean; a drift takes all three."""
    watch = Stability(window=3, tolerance=1.0)
    state = watch.feed([])
    assert (state.readings, state.stable) == (0, False)
    assert [math.isnan(x) for x in (state.mean, state.sd, state.spread, state.drift)] == [True] * 4
    state = watch.feed(2.0)
    assert (state.readings, state.mean, state.spread) == (1, 2.0, 0.0)
    assert (math.isnan(state.sd), math.isnan(state.drift)) == (True, True)
    state = watch.feed(4.0)
    assert (state.readings, state.mean, state.spread) == (2, 3.0, 2.0)
    assert state.sd == pytest.approx(2**0.5)
    assert math.isnan(state.drift)
