"""Extremes: fits against a published example and scipy, intervals by simulation, refusals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from swathe.errors import SwatheError
from swathe.evaluation.extremes import BlockMinima, probable_minimum
from swathe.evaluation.gumbel import anderson_darling, fit_gumbel, gumbel_pivots

# Annual maxima of the sea level at Port Pirie, 1923 to 1987, m: S. Coles, An Introduction to
# Statistical Modeling of Extreme Values, 2001, as in the open data set of the package ismev.
PORT_PIRIE = np.array(
    [
        4.03, 3.83, 3.65, 3.88, 4.01, 4.08, 4.18, 3.80, 4.36, 3.96, 3.98, 4.69, 3.85, 3.96, 3.85,
        3.93, 3.75, 3.63, 3.57, 4.25, 3.97, 4.05, 4.24, 4.22, 3.73, 4.37, 4.06, 3.71, 3.96, 4.06,
        4.55, 3.79, 3.89, 4.11, 3.85, 3.86, 3.86, 4.21, 4.01, 4.11, 4.24, 3.96, 4.21, 3.74, 3.85,
        3.88, 3.66, 4.11, 3.71, 4.18, 3.90, 3.78, 3.91, 3.72, 4.00, 3.66, 3.62, 4.33, 4.55, 3.75,
        4.08, 3.90, 3.88, 3.94, 4.33,
    ]
)  # fmt: skip


def blocks_of(minima: np.ndarray, **changes: object) -> BlockMinima:
    """Return minima of squares of 100 mm² on a grid of ten columns."""
    number = np.arange(minima.size)
    made = BlockMinima(
        minima, number // 10, number % 10, 100.0, 0, (math.ceil(minima.size / 10), 10)
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def walls(seed: int, n: int = 60) -> np.ndarray:
    """Return minima that follow a Gumbel distribution: location 9 mm, scale 0.25 mm."""
    return 9 - np.random.default_rng(seed).gumbel(0, 0.25, n)


def test_fit_is_that_of_the_published_example() -> None:
    """Port Pirie as minima: Gumbel by scipy; the shape as Coles (2001), page 60, has it: -0.050."""
    fit = fit_gumbel(PORT_PIRIE)
    location, scale = stats.gumbel_r.fit(PORT_PIRIE)
    assert (float(fit.location), float(fit.scale)) == pytest.approx((location, scale), abs=1e-6)
    assert (float(fit.location), float(fit.scale)) == pytest.approx((3.869444, 0.194889), abs=1e-5)
    assert fit.log_likelihood(PORT_PIRIE) == pytest.approx(4.217682, abs=1e-5)
    found = probable_minimum(blocks_of(10 - PORT_PIRIE), 100 * 100.0)
    assert found.refused == ()
    assert found.shape == pytest.approx(-0.05009, abs=1e-3)
    assert found.location == pytest.approx(10 - 3.869444, abs=1e-5)
    assert found.tests is not None
    # Coles, page 60: the gain of the shape over Gumbel's is 2 (4.34 - 4.22) = 0.24.
    assert found.tests["shape of the distribution"] == pytest.approx(
        stats.chi2.sf(0.2427, 1), abs=0.01
    )


def test_median_is_that_of_a_minimum_of_so_many_squares() -> None:
    """The survivor of the minimum of m squares is that of one to the power of m, here by scipy."""
    found = probable_minimum(blocks_of(10 - PORT_PIRIE), 50 * 100.0)
    assert found.ratio == 50
    assert found.location is not None
    assert found.scale is not None
    above = stats.gumbel_l.sf(found.median, found.location, found.scale) ** 50
    assert above == pytest.approx(0.5, abs=1e-9)
    assert found.median_low is not None
    assert found.median is not None
    assert found.minimum_low is not None
    assert found.minimum_high is not None
    assert found.median_high is not None
    assert found.minimum_low < found.median_low < found.median < found.median_high
    assert found.median_high < found.minimum_high


def test_intervals_of_many_squares_are_those_of_the_distribution() -> None:
    """With 150 squares the fit is off by little: the minimum is between its own 2.5 and 97.5 %."""
    minima = 9 - stats.gumbel_r.ppf((np.arange(150) + 0.5) / 150, 0, 0.25)
    minima = np.random.default_rng(1).permutation(minima)
    found = probable_minimum(blocks_of(minima), 20 * 100.0)
    assert found.refused == ()
    low, median, high = stats.gumbel_l.isf(np.array([0.975, 0.5, 0.025]) ** (1 / 20), 9, 0.25)
    assert found.minimum_low == pytest.approx(low, abs=0.15)
    assert found.median == pytest.approx(median, abs=0.01)
    assert found.minimum_high == pytest.approx(high, abs=0.15)
    assert found.median_low is not None
    assert found.median_high is not None
    # Asymptotic variance of location + k scale: scale² (1.109 + 0.514 k + 0.608 k²) / n; from memory.
    k = np.log(20) - np.log(np.log(2))
    error = 0.25 * np.sqrt((1.109 + 0.514 * k + 0.608 * k**2) / 150)
    assert found.median_high - found.median_low == pytest.approx(2 * 1.96 * error, rel=0.1)


def test_distance_is_that_of_its_definition() -> None:
    """The definition, with the distribution function of scipy."""
    values = np.random.default_rng(5).gumbel(3, 2, 40)
    fit = fit_gumbel(values)
    reduced = stats.gumbel_r.cdf(np.sort(values), float(fit.location), float(fit.scale))
    i = np.arange(1, 41)
    direct = -40 - np.sum((2 * i - 1) * (np.log(reduced) + np.log(1 - reduced[::-1]))) / 40
    assert float(anderson_darling(values, fit)) == pytest.approx(direct, abs=1e-9)


def test_upper_points_of_the_distance_are_the_published_ones() -> None:
    """A² (1 + 0.2 / sqrt n) of a fitted Gumbel distribution: 10 % 0.637, 5 % 0.757, 1 % 1.038.

    M. A. Stephens, Biometrika 64, 1977; from memory.
    """
    pivots = gumbel_pivots(40, 4000, np.random.default_rng(1))
    found = np.quantile(pivots.statistic * (1 + 0.2 / math.sqrt(40)), [0.9, 0.95, 0.99])
    assert found == pytest.approx([0.637, 0.757, 1.038], rel=0.07)


@pytest.mark.parametrize("n", [30, 80])
@pytest.mark.parametrize("ratio", [5.0, 200.0])
def test_intervals_hold_the_truth_as_often_as_they_say(n: int, ratio: float) -> None:
    """93 to 97 % of 4,000 simulated surveys, for the median and for the minimum itself.

    By the formulas of `probable_minimum`, on other draws; `tests/benchmarks/extremes.py` has the function.
    """
    random = np.random.default_rng(7)
    pivots = gumbel_pivots(n, 4000, np.random.default_rng(8))
    further = np.random.default_rng(9).gumbel(math.log(ratio), size=4000)
    fit = fit_gumbel(random.gumbel(2.0, 0.4, (4000, n)))
    truth = random.gumbel(2.0 + 0.4 * math.log(ratio), 0.4, 4000)
    median = math.log(ratio) - math.log(math.log(2))
    for target, pivot in ((truth, further), (2.0 + 0.4 * median, median)):
        low, high = np.quantile((pivot - pivots.location) / pivots.scale, [0.025, 0.975])
        held = (fit.location + fit.scale * low <= target) & (
            target <= fit.location + fit.scale * high
        )
        assert 0.93 <= held.mean() <= 0.97


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"minima": walls(1)[:29]}, "29 squares were measured whole"),
        ({"incomplete": 16}, "16 of 76 squares have cells that are not measured"),
        ({"area": 3e4}, "smaller than a square"),
        ({"minima": np.round(walls(1), 1)}, "different values only"),
    ],
)
def test_too_little_is_refused_with_the_reason(changes: dict[str, object], text: str) -> None:
    """Too few squares, too many with holes, an area within a square, a coarse last digit."""
    minima = changes.pop("minima", walls(1))
    assert isinstance(minima, np.ndarray)
    found = probable_minimum(blocks_of(minima, **changes), 1e4)
    assert [text in reason for reason in found.refused] == [True]
    assert found.median is found.minimum_low is None


@pytest.mark.parametrize(
    ("minima", "text"),
    [
        (walls(2) - 0.15 * (np.arange(60) // 10), "along the index axis"),
        (walls(2) - 0.1 * (np.arange(60) % 10), "along the scan axis"),
        (walls(2) - 0.6 * (np.arange(60) // 10 % 4 < 2) * (np.arange(60) % 10 // 2 % 2), "alike"),
        (9 - np.random.default_rng(2).uniform(0, 1, 60), "than Gumbel's fits"),
        (np.r_[walls(2)[:30], walls(3)[:30] - 3][np.random.default_rng(4).permutation(60)], "do not follow"),
    ],
)  # fmt: skip
def test_data_that_do_not_carry_it_are_refused(minima: np.ndarray, text: str) -> None:
    """A trend along either axis, patches, a bounded distribution, two populations."""
    found = probable_minimum(blocks_of(minima), 1e4)
    assert any(text in reason for reason in found.refused), found
    assert found.median is None
    assert found.minimum_high is None


def test_same_data_give_the_same_answer() -> None:
    """Draws are seeded."""
    assert probable_minimum(blocks_of(walls(6)), 1e4) == probable_minimum(blocks_of(walls(6)), 1e4)


@pytest.mark.parametrize(("area", "coverage"), [(0.0, 0.95), (math.nan, 0.95), (1e4, 1.0)])
def test_area_and_confidence_must_be_some(area: float, coverage: float) -> None:
    """Anything else is an error."""
    with pytest.raises(SwatheError, match="an area above zero"):
        probable_minimum(blocks_of(walls(1)), area, coverage=coverage)


def test_a_wall_is_never_thinner_than_nothing() -> None:
    """Far below the minima of a thin wall there is a hole, and no negative thickness."""
    found = probable_minimum(blocks_of(walls(6) - 8), 1e9)
    assert found.refused == ()
    assert found.minimum_low == found.median_low == found.median == 0.0


def test_few_squares_widen_the_interval_of_the_minimum() -> None:
    """Of 30 squares and an area of 1,000 it is some 1.3 times as wide as if the fit were the truth."""
    minima = 9 - stats.gumbel_r.ppf((np.arange(30) + 0.5) / 30, 0, 0.25)
    found = probable_minimum(blocks_of(np.random.default_rng(1).permutation(minima)), 1e5)
    assert found.minimum_low is not None
    assert found.minimum_high is not None
    assert found.scale is not None
    own = found.scale * np.diff(stats.gumbel_r.ppf([0.025, 0.975]))[0]
    assert 1.15 < (found.minimum_high - found.minimum_low) / own < 1.6
