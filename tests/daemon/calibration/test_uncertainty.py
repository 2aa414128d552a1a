"""The budget of a reading: the law's own derivatives, and nothing that was not given."""

from __future__ import annotations

import dataclasses
import math

import pytest

from daemon.calibration.blocks import DUAL, STEEL
from swathe.calibration import (
    CalibrationError,
    Component,
    ThicknessLaw,
    combine,
    minimum_bias,
    reading_budget,
)


def budget(law: ThicknessLaw, thickness: float, **more: float) -> dict[str, float]:
    """Return the standard uncertainty of each component of a reading, mm."""
    given: dict[str, float] = {
        "u_velocity": 0.0,
        "u_zero_offset": 0.0,
        "correlation": 0.0,
        "repeatability_mm": 0.0,
        "resolution_mm": 0.0,
    }
    parts = reading_budget(thickness, law=law, **(given | more))  # type: ignore[arg-type]
    return {part.name: part.standard_uncertainty for part in parts}


def test_budget_has_only_what_was_given() -> None:
    """What is left out counts as nothing: no temperature coefficient is assumed."""
    assert set(budget(STEEL, 10.0).values()) == {0.0}
    assert budget(STEEL, 10.0, u_temperature_kelvin=5.0)["temperature"] == 0.0
    assert budget(STEEL, 10.0, coefficient_per_kelvin=2e-4)["temperature"] == 0.0
    alone = budget(STEEL, 10.0, u_coefficient_per_kelvin=1e-5)
    assert alone["temperature coefficient"] == 0.0
    assert budget(STEEL, 10.0, temperature_difference_kelvin=20.0) == budget(STEEL, 10.0)


@pytest.mark.parametrize("law", [STEEL, DUAL, ThicknessLaw(velocity=5.9, temperature_factor=0.95)])
@pytest.mark.parametrize("thickness", [2.0, 10.0, 40.0])
def test_budget_is_the_law_s_own_derivative(law: ThicknessLaw, thickness: float) -> None:
    """Each sensitivity agrees with a small change of the law's own constant."""
    small = 1e-6
    time = law.time_of_flight(thickness)

    def change(**constants: float) -> float:
        other = dataclasses.replace(law, **constants)  # type: ignore[arg-type]
        return float(other.thickness(time) - thickness) / small

    by_velocity = change(velocity=law.velocity + small)
    by_zero = change(zero_offset=law.zero_offset + small)
    by_factor = change(temperature_factor=law.temperature_factor + small)
    for correlation in (-1.0, 0.0, 0.6, 1.0):
        square = (0.02 * by_velocity) ** 2 + (0.01 * by_zero) ** 2
        square += 2 * correlation * (0.02 * by_velocity) * (0.01 * by_zero)
        found = budget(law, thickness, u_velocity=0.02, u_zero_offset=0.01, correlation=correlation)
        assert found["calibration"] ** 2 == pytest.approx(square, rel=1e-3, abs=1e-9)
    warm = budget(
        law,
        thickness,
        u_temperature_kelvin=3.0,
        coefficient_per_kelvin=2e-4,
        u_coefficient_per_kelvin=5e-5,
        temperature_difference_kelvin=-40.0,
    )
    assert warm["temperature"] == pytest.approx(by_factor * 2e-4 * 3.0, rel=1e-3)
    assert warm["temperature coefficient"] == pytest.approx(by_factor * 40 * 5e-5, rel=1e-3)
    plain = budget(law, thickness, repeatability_mm=0.03, resolution_mm=0.01)
    assert (plain["repeatability"], plain["resolution"]) == (0.03, 0.0)
    # Readings that all show the same digit average nothing of it.
    assert budget(law, thickness, resolution_mm=0.01)["resolution"] == 0.01 / math.sqrt(12)
    coupled = budget(law, thickness, coupling_us=0.01)["coupling"]
    later = float(law.thickness(time + small) - thickness) / small
    assert coupled == pytest.approx(0.01 * later, rel=1e-3)
    left = budget(
        law,
        thickness,
        coefficient_per_kelvin=2e-4,
        u_coefficient_per_kelvin=5e-5,
        uncorrected_kelvin=-40.0,
    )
    assert left["temperature difference"] == pytest.approx(by_factor * 40 * 2.5e-4, rel=1e-3)


@pytest.mark.parametrize("value", [-1e-9, math.nan, math.inf])
def test_component_of_no_uncertainty_is_refused(value: float) -> None:
    """Below zero, NaN and infinity are none; zero is one, as well known as can be by default."""
    with pytest.raises(CalibrationError, match="'a' must have an uncertainty >= 0"):
        Component(name="a", standard_uncertainty=value)
    zero = Component(name="a", standard_uncertainty=0.0)
    assert (zero.dof, zero.basis) == (math.inf, "")


@pytest.mark.parametrize("dof", [0.999, 0.0, math.nan])
def test_component_of_less_than_one_degree_of_freedom_is_refused(dof: float) -> None:
    """One degree of freedom is enough, a little less is not."""
    assert Component(name="a", standard_uncertainty=1.0, dof=1).dof == 1
    with pytest.raises(CalibrationError, match="'a' must have 1 degree of freedom or more"):
        Component(name="a", standard_uncertainty=1.0, dof=dof)


@pytest.mark.parametrize("coverage", [0.0, 1.0, math.nan])
def test_coverage_at_its_limits_is_refused(coverage: float) -> None:
    """Neither nothing nor everything is a level of confidence."""
    with pytest.raises(CalibrationError, match="'coverage' must lie between 0 and 1"):
        combine([], coverage=coverage)


def test_degrees_of_freedom_by_hand() -> None:
    """3 and 4 make 5; 5⁴ / (3⁴ / 2 + 4⁴ / 4) = 625 / 104.5 = 5.98, cut to 5: Student's 2.571."""
    parts = [
        Component(name="a", standard_uncertainty=3.0, dof=2),
        Component(name="b", standard_uncertainty=4.0, dof=4),
    ]
    found = combine(parts, coverage=0.95)
    assert found.standard_uncertainty == 5.0
    assert found.effective_dof == pytest.approx(625 / 104.5)
    assert found.coverage == 0.95
    assert found.coverage_factor == pytest.approx(2.571, abs=0.0005)
    assert found.expanded == pytest.approx(5 * (found.coverage_factor or 0.0))


@pytest.mark.parametrize("thickness", [-1.0, math.nan, math.inf])
def test_budget_of_no_wall_is_refused(thickness: float) -> None:
    """A wall is a number above zero."""
    with pytest.raises(CalibrationError, match=r"'thickness' must be > 0 mm \(got "):
        budget(STEEL, thickness)


@pytest.mark.parametrize("correlation", [-1.001, 1.001, math.nan])
def test_budget_of_no_correlation_is_refused(correlation: float) -> None:
    """A correlation is from -1 to 1, both of which are taken."""
    for limit in (-1.0, 1.0):
        assert budget(STEEL, 10.0, correlation=limit)["calibration"] == 0.0
    with pytest.raises(CalibrationError, match="'correlation' must lie from -1 to 1"):
        budget(STEEL, 10.0, correlation=correlation)


def test_minimum_bias_of_two_readings_by_hand() -> None:
    """Blom's (1 - 3/8) / (2 + 1/4) = 0.2778, where the normal quantile is -0.5895."""
    assert minimum_bias(2, 0.1) == pytest.approx(0.05895, abs=1e-5)
    assert minimum_bias(1, 0.1) == 0.0
    assert minimum_bias(1, 0.0) == 0.0


@pytest.mark.parametrize(
    ("n", "sd", "text"),
    [
        (0, 0.1, "'n' must be 1 or more (got 0)"),
        (-1, 0.1, "'n' must be 1 or more (got -1)"),
        (2, -0.1, "'sd' must be >= 0 (got -0.1)"),
        (2, math.inf, "'sd' must be >= 0 (got inf)"),
        (1, math.nan, "'sd' must be >= 0 (got nan)"),
    ],
)
def test_minimum_bias_of_what_cannot_be_is_refused(n: int, sd: float, text: str) -> None:
    """A spread is looked at even where one reading needs none."""
    with pytest.raises(CalibrationError) as caught:
        minimum_bias(n, sd)
    assert str(caught.value) == text
