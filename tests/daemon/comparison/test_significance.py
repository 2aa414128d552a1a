"""Which of many differences are significant: against scipy, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from swathe.comparison import benjamini_hochberg
from swathe.comparison.significance import one_sided


@given(seed=st.integers(0, 10_000), level=st.sampled_from([0.01, 0.05, 0.2]))
def test_rejected_are_those_of_scipy(seed: int, level: float) -> None:
    """The adjusted probabilities of `scipy.stats.false_discovery_control` are at or below the level."""
    random = np.random.default_rng(seed)
    probability = np.round(random.random(60) ** 4, 4)
    rejected, limit = benjamini_hochberg(probability, level)
    adjusted = stats.false_discovery_control(probability, method="bh")
    np.testing.assert_array_equal(rejected, adjusted <= level)
    assert limit == (probability[rejected].max() if rejected.any() else 0.0)


def test_what_is_unknown_is_no_hypothesis() -> None:
    """NaN is neither rejected nor counted."""
    found, _ = benjamini_hochberg(np.array([[0.03, np.nan], [np.nan, np.nan]]), 0.05)
    assert found.tolist() == [[True, False], [False, False]]
    assert not benjamini_hochberg(np.array([np.nan]), 0.05)[0].any()


def test_probability_is_students() -> None:
    """One-sided, against `scipy.stats.t` and the normal distribution."""
    ratio = np.array([-1.0, 0.0, 2.0, 5.0])
    np.testing.assert_allclose(one_sided(ratio, 4.0), stats.t.sf(ratio, 4))
    np.testing.assert_allclose(one_sided(ratio, np.inf), stats.norm.sf(ratio))


@pytest.mark.parametrize("shared", [0.0, 1.0])
def test_nothing_is_marked_more_often_than_stated_where_nothing_changed(shared: float) -> None:
    """Of 600 surveys of 300 cells without any loss 5 % have a mark at most, errors shared or not."""
    random = np.random.default_rng(2)
    noise = random.normal(0, 1, (600, 300)) + shared * random.normal(0, 1, (600, 1))
    probability = one_sided(noise / np.hypot(1, shared), np.inf)
    marked = np.mean([benjamini_hochberg(each, 0.05)[0].any() for each in probability])
    # Three standard deviations of 600 trials.
    assert marked <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600)
    assert marked > 0.005
