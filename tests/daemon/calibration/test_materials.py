"""The plausible range of a material's velocity, at its borders."""

from __future__ import annotations

import math

import pytest

from swathe.calibration import MATERIALS, CalibrationError, material_named, plausible


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("carbon steel", 5.8016, 6.0384),  # 5.920 ± 2 %
        ("nickel", 5.9192, 6.1608),  # 6.040 ± 2 %
        ("iron, cast", 4.2449, 5.7431),  # 4.994 ± 15 %
    ],
)
def test_range_of_a_material_at_its_borders(name: str, low: float, high: float) -> None:
    """Both ends belong to the range; 0.1 m/s beyond is warned of."""
    entry = MATERIALS[name]
    assert (entry.low, entry.high) == pytest.approx((low, high))
    assert plausible(name, entry.low) is None
    assert plausible(name, entry.high) is None
    for velocity in (entry.low - 1e-4, entry.high + 1e-4):
        warning = plausible(name, velocity)
        assert warning is not None
        assert warning.startswith(f"velocity {velocity * 1000:.0f} m/s is outside {low * 1000:.0f}")


@pytest.mark.parametrize("velocity", [0.0, -5.92, math.nan, math.inf])
def test_velocity_that_cannot_be_is_refused(velocity: float) -> None:
    """It is no velocity of any material."""
    with pytest.raises(CalibrationError) as caught:
        plausible("carbon steel", velocity)
    assert str(caught.value) == f"'velocity' must be > 0 mm/µs (got {velocity})"


@pytest.mark.parametrize("name", ["Iron, CAST", "iron_cast", " iron - cast "])
def test_material_by_another_spelling(name: str) -> None:
    """Capitals, commas, hyphens and underscores make no other name."""
    assert material_named(name) is MATERIALS["iron, cast"]
