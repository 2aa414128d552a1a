"""Rates and remaining life: worked examples, and intervals by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from swathe.comparison import Estimate, Life, estimate, remaining_life
from swathe.errors import SwatheError


def test_worked_example_of_rates_and_life() -> None:
    """12.70 mm new, 11.20 mm after 10 and 10.80 mm after 12 years, 8.00 mm required: 14 years.

    Definitions of API 570 section 7.1 from memory, on invented figures.
    """
    long_term, short_term = (
        estimate((12.70 - 10.80) / 12, 0.01),
        estimate((11.20 - 10.80) / 2, 0.01),
    )
    assert long_term.value == pytest.approx(0.1583, abs=5e-5)
    assert short_term.value == pytest.approx(0.2, abs=1e-12)
    larger = max(long_term, short_term, key=lambda rate: rate.value)
    life = remaining_life(10.80, 8.00, larger)
    assert life.years == pytest.approx(14.0)
    assert life.kind == "bounded"


def test_practice_question_in_inches() -> None:
    """(0.210 - 0.150) in / 0.010 in/year is 6 years: a practice question on API 570 section 7.1."""
    inch = 25.4
    life = remaining_life(0.210 * inch, 0.150 * inch, estimate(0.010 * inch, 1e-9))
    assert life.years == pytest.approx(6.0)
    assert [life.low, life.high] == pytest.approx([6.0, 6.0], abs=1e-4)


def test_estimate_has_students_interval() -> None:
    """Against `scipy.stats.t`; its sign and scale go to its ends."""
    one = estimate(2.0, 0.5, 4.0)
    half = 0.5 * stats.t.ppf(0.975, 4)
    assert [one.low, one.high] == pytest.approx([2 - half, 2 + half])
    turned = one.scaled(-2)
    assert [turned.low, turned.high] == pytest.approx([-4 - 2 * half, -4 + 2 * half])
    assert turned.standard == 1.0
    assert one.above_zero
    assert not one.below_zero


def test_interval_of_life_holds_the_truth() -> None:
    """Of 4,000 simulated surveys 95 % have the true life in it, with errors that wall and rate share."""
    random = np.random.default_rng(7)
    years, now, required, rate = 3.0, 9.0, 8.0, 0.2
    u, n = 0.05, 4000
    read = now + random.normal(0, u, n)
    before = now + rate * years + random.normal(0, u, n)
    held = 0
    for a, b in zip(read, before, strict=True):
        found = estimate((b - a) / years, u * math.sqrt(2) / years)
        life = remaining_life(a, required, found, u_now=u, covariance=-(u**2) / years)
        low = 0.0 if life.low is None else life.low
        high = math.inf if life.high is None else life.high
        held += low <= (now - required) / rate <= high
    assert held / n == pytest.approx(0.95, abs=0.012)


def test_life_has_no_end_where_the_rate_may_be_zero() -> None:
    """The lower end is by the fastest loss that the interval allows; without an error of the wall exactly."""
    rate = estimate(0.05, 0.05)
    life = remaining_life(10.0, 8.0, rate)
    assert life.kind == "unbounded"
    assert life.high is None
    assert rate.high is not None
    assert life.low == pytest.approx(2.0 / rate.high)
    negative = remaining_life(10.0, 8.0, estimate(-0.01, 0.05))
    assert (negative.kind, negative.years) == ("unbounded", None)
    assert negative.low == pytest.approx(2.0 / (-0.01 + 1.959964 * 0.05), rel=1e-5)


def test_growth_and_walls_at_their_limit_have_no_life() -> None:
    """A wall that reads thicker gives none; one at or below what is required has none left."""
    assert remaining_life(10, 8, estimate(-0.5, 0.05)) == Life("growing", None, None, None)
    assert remaining_life(8, 8, estimate(0.1, 0.01)) == Life("reached", 0.0, 0.0, 0.0)
    unknown = remaining_life(10, 8, Estimate(0.1))
    assert (unknown.kind, unknown.low, unknown.high) == ("not stated", None, None)
    assert unknown.years == pytest.approx(20.0)
    near = remaining_life(8.05, 8, estimate(0.1, 0.01), u_now=0.05)
    assert near.low == 0.0
    assert near.high is not None
    with pytest.raises(SwatheError, match="required"):
        remaining_life(8, 0, estimate(0.1, 0.01))
