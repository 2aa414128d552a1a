"""Budgets against JCGM 100:2008 (GUM) and scipy.

Sources: JCGM 100 annex H.1, calibration of a gauge block, components and 32 nm as the documentation
of GTC (GUM_H1.rst) gives them (verified there); its effective degrees of freedom, 16.7, the factor
2.92 and 93 nm from memory, computed again here; its table G.2 from memory, the same as
`scipy.stats.t.ppf` (1.17.1); order statistics by `scipy.integrate.quad`.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from swathe.calibration import (
    CalibrationError,
    Component,
    StepReading,
    ThicknessLaw,
    combine,
    minimum_bias,
    reading_budget,
    solve_steps,
)

LENGTH = 50_000_623.0  # nm
GAUGE_BLOCK = [
    Component(name="standard", standard_uncertainty=25.0, dof=18),
    Component(name="repeated observations", standard_uncertainty=5.8, dof=24),
    Component(name="comparator, random", standard_uncertainty=3.9, dof=5),
    Component(name="comparator, systematic", standard_uncertainty=6.7, dof=8),
    Component(
        name="difference of expansion",
        standard_uncertainty=LENGTH * 0.1 * 1e-6 / math.sqrt(3),
        dof=50,
    ),
    Component(
        name="difference of temperature",
        standard_uncertainty=LENGTH * 11.5e-6 * 0.05 / math.sqrt(3),
        dof=2,
    ),
]


def test_gauge_block_of_the_gum() -> None:
    """H.1: components 2.88679 and 16.599 nm, u_c = 32 nm (verified), 31.66 to more digits."""
    assert GAUGE_BLOCK[4].standard_uncertainty == pytest.approx(2.88679, abs=5e-5)
    assert GAUGE_BLOCK[5].standard_uncertainty == pytest.approx(16.599, abs=5e-4)
    found = combine(GAUGE_BLOCK)
    assert found.standard_uncertainty == pytest.approx(32, abs=0.5)
    assert found.standard_uncertainty == pytest.approx(31.66, abs=0.005)
    assert found.components == tuple(GAUGE_BLOCK)


def test_gauge_block_of_the_gum_expanded() -> None:
    """16.7 degrees of freedom are cut to 16, so k = 2.92 and U = 93 nm at 99 % (from memory)."""
    found = combine(GAUGE_BLOCK, coverage=0.99)
    assert found.effective_dof == pytest.approx(16.75, abs=0.05)
    assert found.coverage_factor == pytest.approx(2.92, abs=0.005)
    assert found.expanded == pytest.approx(93, abs=1)


@pytest.mark.parametrize(
    ("coverage", "dof", "factor"),
    [
        (0.95, 1, 12.706), (0.95, 2, 4.303), (0.95, 3, 3.182), (0.95, 5, 2.571), (0.95, 9, 2.262),
        (0.95, 10, 2.228), (0.95, 20, 2.086), (0.95, 50, 2.009),
        (0.9545, 3, 3.307), (0.9545, 5, 2.649), (0.9545, 9, 2.320), (0.9545, 20, 2.133),
    ],
)  # fmt: skip
def test_coverage_factor_is_students(coverage: float, dof: int, factor: float) -> None:
    """Table G.2 (from memory; the same as scipy's), for one component of whole dof."""
    found = combine([Component(name="a", standard_uncertainty=0.03, dof=dof)], coverage=coverage)
    assert found.coverage_factor == pytest.approx(factor, abs=0.0005)
    assert found.coverage_factor == pytest.approx(float(stats.t.ppf((1 + coverage) / 2, dof)))
    assert found.expanded == pytest.approx(0.03 * (found.coverage_factor or 0.0))


def test_well_known_components_give_the_normal_factor() -> None:
    """Without a finite dof the factor for 95.45 % is 2.000."""
    found = combine(Component(name=n, standard_uncertainty=u) for n, u in (("a", 3.0), ("b", 4.0)))
    assert found.standard_uncertainty == pytest.approx(5.0)
    assert math.isinf(found.effective_dof)
    assert found.coverage_factor == pytest.approx(2.000, abs=0.0005)


@pytest.mark.parametrize("dof", [1e8, 1e12, 1e40])
def test_many_degrees_of_freedom_give_the_normal_factor(dof: float) -> None:
    """A share of nearly nothing that was repeated leaves more than a machine counts."""
    found = combine([Component(name="a", standard_uncertainty=1.0, dof=dof)], coverage=0.95)
    assert found.coverage_factor == pytest.approx(float(stats.norm.ppf(0.975)), rel=1e-7)


def test_no_uncertainty_at_all_is_zero() -> None:
    """A budget of nothing, or of zeros, comes to zero and not to a division by it."""
    for parts in ([], [Component(name="none", standard_uncertainty=0.0, dof=3)]):
        found = combine(parts)
        assert (found.standard_uncertainty, found.expanded) == (0.0, 0.0)
        assert math.isinf(found.effective_dof)


def test_what_is_no_component_is_refused() -> None:
    """Negative uncertainties, no degrees of freedom and impossible levels are told."""
    with pytest.raises(CalibrationError, match="'a' must have an uncertainty >= 0"):
        Component(name="a", standard_uncertainty=-1.0)
    with pytest.raises(CalibrationError, match="'a' must have 1 degree of freedom or more"):
        Component(name="a", standard_uncertainty=1.0, dof=0)
    with pytest.raises(CalibrationError, match="'coverage' must lie between 0 and 1"):
        combine([], coverage=95.45)


@pytest.mark.parametrize("separation", [0.0, 4.0])
def test_reading_budget_is_that_of_random_trials(separation: float) -> None:
    """Drawn velocities, zero offsets, temperatures and times scatter a thickness by as much."""
    law = ThicknessLaw(
        velocity=5.92, zero_offset=0.25, separation=separation, temperature_factor=0.99
    )
    thickness, u_v, u_zero, r = 6.0, 0.01, 0.02, 0.8
    parts = reading_budget(
        thickness,
        law=law,
        u_velocity=u_v,
        u_zero_offset=u_zero,
        correlation=r,
        repeatability_mm=0.03,
        coupling_us=0.004,
        resolution_mm=0.02,
        u_temperature_kelvin=5.0,
        coefficient_per_kelvin=1.82e-4,
        u_coefficient_per_kelvin=0.3e-4,
        temperature_difference_kelvin=0.01 / 1.82e-4,
    )
    random = np.random.default_rng(1)
    n = 400_000
    v, zero = random.multivariate_normal(
        [law.velocity, law.zero_offset],
        [[u_v**2, r * u_v * u_zero], [r * u_v * u_zero, u_zero**2]],
        n,
    ).T
    k = random.normal(1.82e-4, 0.3e-4, n)
    kelvin = random.normal(0.01 / 1.82e-4, 5.0, n)
    time = float(law.time_of_flight(thickness))
    path = v * (1 - k * kelvin) * (time - zero) / 2
    wall = np.sqrt(path**2 - (separation / 2) ** 2)
    # Another couplant film; then the digits, whose width is a part of the scatter that is observed.
    by_time = float((law.thickness(time + 1e-6) - law.thickness(time)) / 1e-6)
    wall += random.normal(0, 0.004, n) * by_time
    wall += random.normal(0, math.sqrt(0.03**2 - 0.02**2 / 12), n)
    wall = np.round(wall / 0.02) * 0.02
    assert combine(parts).standard_uncertainty == pytest.approx(float(wall.std()), rel=0.01)
    by_name = {part.name: part.standard_uncertainty for part in parts}
    assert by_name["resolution"] < 1e-5
    assert by_name["repeatability"] == 0.03
    assert by_name["coupling"] == pytest.approx(0.004 * by_time, rel=1e-4)
    assert len(by_name) == len(parts) == 7


def test_calibration_component_is_least_between_its_steps() -> None:
    """With the correlation, two steps tell a wall between them better than one beyond (the line's)."""
    sd, n = 0.01, 4
    law = ThicknessLaw(velocity=5.92, zero_offset=0.3)
    steps = [
        StepReading(thickness=d, time_of_flight=float(law.time_of_flight(d)), sd=sd, readings=n)
        for d in (5.0, 20.0)
    ]
    found = solve_steps(steps)

    def u_at(thickness: float) -> float:
        (part, *_) = reading_budget(
            thickness,
            law=found.law(),
            u_velocity=found.u_velocity,
            u_zero_offset=found.u_zero_offset,
            correlation=found.correlation,
            repeatability_mm=0.0,
            resolution_mm=0.0,
        )
        return part.standard_uncertainty

    of_a_step = sd / math.sqrt(n) * 5.92 / 2
    assert u_at(5.0) == pytest.approx(of_a_step, rel=1e-6)
    assert u_at(20.0) == pytest.approx(of_a_step, rel=1e-6)
    assert u_at(12.5) == pytest.approx(of_a_step / math.sqrt(2), rel=1e-6)
    assert u_at(35.0) == pytest.approx(of_a_step * math.sqrt(5), rel=1e-6)


@pytest.mark.parametrize(
    ("thickness", "correlation", "message"),
    [(0.0, 0.0, "'thickness' must be > 0"), (5.0, 1.1, "'correlation' must lie from -1 to 1")],
)
def test_reading_budget_of_what_cannot_be_is_refused(
    thickness: float, correlation: float, message: str
) -> None:
    """A wall of nothing has no budget."""
    with pytest.raises(CalibrationError, match=message):
        reading_budget(
            thickness,
            law=ThicknessLaw(velocity=5.92),
            u_velocity=0.01,
            u_zero_offset=0.01,
            correlation=correlation,
            repeatability_mm=0.0,
            resolution_mm=0.0,
        )


@pytest.mark.parametrize(
    ("n", "share"), [(2, 0.05), (5, 0.02), (10, 0.01), (100, 0.01), (10**6, 0.01)]
)
def test_minimum_bias_is_the_least_order_statistic(n: int, share: float) -> None:
    """Blom's approximation against the integral of x over the density of the least of n."""

    def integrand(x: float) -> float:
        density = math.exp((n - 1) * float(stats.norm.logsf(x)) + float(stats.norm.logpdf(x)))
        return -x * n * density

    exact, error = quad(integrand, -9.0, 9.0, limit=400, points=[-6.0, -5.0, -4.0, -3.0, 0.0])
    assert error < 1e-6
    assert minimum_bias(n, 0.02) == pytest.approx(0.02 * exact, rel=share)


def test_minimum_bias_of_one_reading_is_none() -> None:
    """The least of one is that one; readings and spreads that cannot be are refused."""
    assert minimum_bias(1, 0.5) == 0.0
    assert minimum_bias(50, 0.0) == 0.0
    with pytest.raises(CalibrationError, match="'n' must be 1 or more"):
        minimum_bias(0, 0.5)
    with pytest.raises(CalibrationError, match="'sd' must be >= 0"):
        minimum_bias(5, math.nan)


@pytest.mark.parametrize("known", [0.0, 0.1, 0.3, 0.5, 1.0, 2.0, 5.0, 50.0])
def test_effect_that_is_not_corrected_is_covered(known: float) -> None:
    """An effect of one sign, `known` standard uncertainties in size: its interval holds no less often.

    The share of a normal distribution, off by the effect, within two roots of the sum of squares.
    """
    found = combine(
        [
            Component(name="the rest", standard_uncertainty=1.0),
            Component(name="temperature difference", standard_uncertainty=known),
        ]
    )
    assert found.expanded is not None
    held = stats.norm.cdf(found.expanded, loc=known) - stats.norm.cdf(-found.expanded, loc=known)
    assert held >= 0.9545 - 1e-6


def test_components_of_one_estimate_share_its_degrees_of_freedom() -> None:
    """Two of 3 and 4 with 6 degrees from one estimate have 6 together, apart (25²)/(337/6) = 11.1."""
    apart = [Component(name=n, standard_uncertainty=u, dof=6) for n, u in (("a", 3.0), ("b", 4.0))]
    together = [dataclasses.replace(part, shared="couplings") for part in apart]
    assert combine(apart).effective_dof == pytest.approx(625 / (337 / 6))
    assert combine(together).effective_dof == pytest.approx(6)
    # By simulation: the interval from one estimate of the variance of both holds 95 %.
    random = np.random.default_rng(8)
    n = 20_000
    estimate = np.sqrt(random.chisquare(6, n) / 6)
    error = random.normal(0, 3.0, n) + random.normal(0, 4.0, n)
    factors = [combine(parts, coverage=0.95).coverage_factor or 0.0 for parts in (together, apart)]
    right, wrong = (float(np.mean(np.abs(error) <= k * 5 * estimate)) for k in factors)
    assert right == pytest.approx(0.95, abs=0.005)
    assert wrong < 0.94


def test_no_level_is_claimed_where_something_is_not_covered() -> None:
    """What is covered keeps its standard uncertainty; there is no factor and no interval."""
    found = combine([Component(name="a", standard_uncertainty=2.0)], not_covered=["couplant"])
    assert found.standard_uncertainty == 2.0
    assert (found.coverage, found.coverage_factor, found.expanded) == (None, None, None)
    assert found.not_covered == ("couplant",)
