"""The budget of a reading: the law's own derivatives, and nothing that was not given."""

from __future__ import annotations

import dataclasses
import math

import pytest

from daemon.calibration.blocks import DUAL, STEEL
from swathe.calibration import ThicknessLaw, reading_budget


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
    assert (plain["repeatability"], plain["resolution"]) == (0.03, 0.01 / math.sqrt(12))
