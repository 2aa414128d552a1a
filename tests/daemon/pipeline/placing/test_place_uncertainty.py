"""The budget of a reading's place: propagation, mixture, and sums that no batch changes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swathe.pipeline.placing.place_uncertainty import (
    PLACE_SPREAD,
    PlaceBudget,
    PlaceSums,
    StatedUncertainty,
    mixture_quantile,
    no_spread,
)

UNKNOWN = StatedUncertainty(None, "not stated")


def sums(*, zero: float = 0.0, count_mm: float = 0.0) -> PlaceSums:
    """Return sums without any reading."""
    made = PlaceSums()
    made.begin(zero=zero, count_mm=count_mm, bracket_ns=100_000_000)
    return made


def spread(speed: float | np.ndarray, reading: float = 0.0, samples: float = 0.0) -> np.ndarray:
    """Return the spread of readings, shape as `speed`."""
    speed = np.atleast_1d(np.asarray(speed, np.float64))
    made = np.zeros(speed.shape, PLACE_SPREAD)
    made["speed"], made["reading"], made["samples"] = speed, reading, samples
    return made


def share(budget: PlaceBudget | None, name: str) -> float | None:
    """Return a component's standard uncertainty, mm."""
    assert budget is not None
    return {one.name: one.standard_mm for one in budget.components}[name]


def test_times_count_by_the_speed() -> None:
    """1 ms at 250 mm/s is 0.25 mm, of the reading, of the samples and of the delay."""
    made = sums()
    made.add_readings(np.zeros(4), spread(np.array([250.0, -250.0, 250.0, -250.0]), 1e6, 2e6))
    budget = made.budget(delay_ns=StatedUncertainty(3e6, "measured"), scale=UNKNOWN)
    assert budget is not None
    assert share(budget, "time of the reading") == pytest.approx(0.25)
    assert share(budget, "time of the encoder's samples") == pytest.approx(0.5)
    assert share(budget, "delay") == pytest.approx(0.75)
    assert budget.standard_mm == pytest.approx(math.sqrt(0.25**2 + 0.5**2 + 0.75**2))
    assert budget.expanded_mm == pytest.approx(1.95996 * budget.standard_mm, rel=1e-4)
    assert budget.readings == 4


def test_scale_counts_by_the_distance_from_the_zero() -> None:
    """A scale that is known to 0.1 % is 0.3 mm off at 300 mm from where the position was set."""
    made = sums(zero=100.0)
    made.add_readings(np.array([400.0, -200.0]), spread(np.array([10.0, 10.0])))
    scale = StatedUncertainty(0.001, "station file")
    assert share(made.budget(delay_ns=UNKNOWN, scale=scale), "encoder scale") == pytest.approx(0.3)


def test_count_is_a_rectangle() -> None:
    """A count of 0.12 mm is 0.12 / sqrt(12)."""
    made = sums(count_mm=0.12)
    made.add_readings(np.zeros(1), spread(10.0))
    budget = made.budget(delay_ns=UNKNOWN, scale=UNKNOWN)
    assert share(budget, "count") == pytest.approx(0.12 / math.sqrt(12))


def test_curvature_is_that_of_a_parabola() -> None:
    """At a constant acceleration the mean square of the chord's error is a² T⁴ / 120."""
    made = sums()
    made.add_readings(np.zeros(1), spread(10.0))
    seconds = 0.1 + np.arange(20) * 0.01
    positions = 0.5 * 1000.0 * seconds**2
    for times, at in zip(
        np.split(np.rint(seconds * 1e9).astype(np.int64), [1, 2, 9]),
        np.split(positions, [1, 2, 9]),
        strict=True,
    ):
        made.add_samples(times, at)
    share_w = np.linspace(0.0, 1.0, 1001)
    chord = 1000.0 * 0.01**2 * share_w * (1 - share_w) / 2
    budget = made.budget(delay_ns=UNKNOWN, scale=UNKNOWN)
    expected = math.sqrt(float(np.mean(chord**2)))
    assert share(budget, "curvature between samples") == pytest.approx(expected, rel=2e-3)


def test_samples_after_a_pause_have_no_curvature() -> None:
    """Between samples that place nothing no acceleration is known."""
    made = sums()
    made.add_readings(np.zeros(1), spread(10.0))
    made.add_samples(
        np.array([0, 10, 1_000, 1_010]) * 1_000_000, np.array([0.0, 1.0, 500.0, 501.0])
    )
    budget = made.budget(delay_ns=UNKNOWN, scale=UNKNOWN)
    assert share(budget, "curvature between samples") == 0.0


def test_what_is_not_stated_has_no_number() -> None:
    """Without an uncertainty of delay and scale both are named, and count for nothing."""
    made = sums(count_mm=0.1)
    made.add_readings(np.array([300.0]), spread(100.0))
    budget = made.budget(delay_ns=UNKNOWN, scale=UNKNOWN)
    assert budget is not None
    assert budget.not_stated == ("delay", "encoder scale")
    assert budget.standard_mm == pytest.approx(0.1 / math.sqrt(12))


def test_readings_at_rest_are_left_out() -> None:
    """A long rest does not make the moving readings any better."""
    made = sums()
    made.add_readings(np.zeros(1000), spread(np.zeros(1000)))
    assert made.budget(delay_ns=UNKNOWN, scale=UNKNOWN) is None
    made.add_readings(np.zeros(1), spread(100.0, 1e6))
    budget = made.budget(delay_ns=UNKNOWN, scale=UNKNOWN)
    assert budget is not None
    assert budget.standard_mm == pytest.approx(0.1)
    assert budget.readings == 1


def test_readings_with_own_positions_have_no_time() -> None:
    """A device that sends the count with each reading is uncertain by count and scale alone."""
    made = sums(zero=50.0, count_mm=0.1)
    made.add_readings(np.array([150.0, 50.0, 150.0]), no_spread(3))
    scale = StatedUncertainty(0.01, "station file")
    budget = made.budget(delay_ns=StatedUncertainty(0.0, "none"), scale=scale)
    assert budget is not None
    assert budget.readings == 3
    assert share(budget, "time of the reading") == 0.0
    assert share(budget, "encoder scale") == pytest.approx(math.sqrt(2 / 3))


def test_interval_of_two_speeds_holds_95_percent() -> None:
    """Half of the readings at 10 mm/s and half at 400: the interval holds 95 % of all of them."""
    rng = np.random.default_rng(5)
    speed = np.repeat([10.0, 400.0], 200_000)
    made = sums()
    made.add_readings(np.zeros(speed.size), spread(speed, 1e6))
    budget = made.budget(delay_ns=UNKNOWN, scale=UNKNOWN)
    assert budget is not None
    errors = speed * rng.normal(0.0, 1e-3, speed.size)
    assert np.mean(np.abs(errors) <= budget.expanded_mm) == pytest.approx(0.95, abs=0.002)
    assert np.mean(np.abs(errors) <= 1.96 * budget.standard_mm) < 0.946


def test_quantile_of_one_distribution_is_normal() -> None:
    """95 % of a normal distribution are within 1.96 standard deviations."""
    assert mixture_quantile(np.array([1.0]), np.array([2.0])) == pytest.approx(2 * 1.959964)
    assert mixture_quantile(np.array([0.96, 0.04]), np.array([0.0, 1.0])) == pytest.approx(
        0.0, abs=1e-9
    )


def test_sums_do_not_depend_on_batches() -> None:
    """The same readings and samples in other pieces have the same budget, bit for bit."""
    rng = np.random.default_rng(3)
    speed, at = rng.uniform(0.0, 400.0, 999), rng.uniform(0.0, 900.0, 999)
    made = spread(speed)
    made["reading"], made["samples"] = rng.uniform(0.0, 3e6, (2, 999))
    times = np.cumsum(rng.integers(1, 20_000_000, 999))
    scale, delay = StatedUncertainty(0.0007, "given"), StatedUncertainty(123_456.0, "measured")
    budgets = []
    for pieces in (1, 7, 333):
        one = sums(zero=3.0, count_mm=0.05)
        for rows in np.array_split(np.arange(999), pieces):
            one.add_readings(at[rows], made[rows])
            one.add_samples(times[rows], at[rows])
        budgets.append(one.budget(delay_ns=delay, scale=scale))
    assert budgets[0] == budgets[1] == budgets[2]
