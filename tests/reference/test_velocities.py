"""Handbook velocities, temperature, V-path and the relations on a step block.

Sources: CRC Handbook of Chemistry and Physics, section 14, "Speed of Sound in Various Media" (seen
in a text for all rows but the steels, which are from memory, since the page seen was cut off before
them); Do Trung Kien et al., Communications in Physics (VAST), abstract (seen in a text); ASTM E797
and E494 (from memory, their texts were not seen).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from swathe.calibration import (
    MATERIALS,
    CalibrationError,
    Known,
    StepReading,
    ThicknessLaw,
    half_path,
    material_named,
    over_reading,
    plausible,
    solve_steps,
    temperature_coefficient,
    temperature_factor,
    thickness_of_half_path,
)

# Longitudinal, shear and thin-rod velocity, m/s.
TABLE = {
    "aluminium, rolled": (6420, 3040, 5000),
    "copper, annealed": (4760, 2325, 3810),
    "copper, rolled": (5010, 2270, 3750),
    "brass 70-30": (4700, 2110, 3480),
    "nickel": (6040, 3000, 4900),
    "iron, Armco": (5960, 3240, 5200),
    "iron, cast": (4994, 2809, 4480),
}
FROM_MEMORY = {"mild steel": (5960, 3235, 5200), "stainless steel 347": (5790, 3100, 5000)}


@pytest.mark.parametrize(("name", "row"), list(TABLE.items()) + list(FROM_MEMORY.items()))
def test_material_is_the_handbooks(name: str, row: tuple[float, float, float]) -> None:
    """Each row's longitudinal velocity, and how it is known, is as the table says."""
    material = material_named(name)
    assert material.velocity * 1000 == pytest.approx(row[0], rel=1e-9)
    assert material.known is (Known.TEXT if name in TABLE else Known.MEMORY)
    assert plausible(name, row[0] / 1000) is None


@pytest.mark.parametrize(
    "name",
    [
        "aluminium, rolled",
        "copper, annealed",
        "nickel",
        "iron, Armco",
        "brass 70-30",
        "mild steel",
        "stainless steel 347",
    ],
)
def test_longitudinal_velocity_fits_shear_and_rod(name: str) -> None:
    """By isotropic elasticity two velocities of a row tell the third, within 0.6 % here."""
    _, shear, rod = {**TABLE, **FROM_MEMORY}[name]
    longitudinal = material_named(name).velocity * 1000
    poisson = (longitudinal**2 - 2 * shear**2) / (2 * (longitudinal**2 - shear**2))
    assert shear * math.sqrt(2 * (1 + poisson)) == pytest.approx(rod, rel=0.006)


@pytest.mark.parametrize(
    ("name", "velocity", "tolerance"), [("carbon steel", 5.920, 0.01), ("acrylic", 2.705, 0.01)]
)
def test_material_from_memory(name: str, velocity: float, tolerance: float) -> None:
    """Common handbook figures, from memory."""
    material = material_named(name)
    assert material.velocity == pytest.approx(velocity, rel=tolerance)
    assert material.known is Known.MEMORY


def test_every_plausible_range_holds_its_velocity() -> None:
    """A handbook's own figure is plausible, and the range is about two percent but for cast iron."""
    for material in MATERIALS.values():
        assert material.low < material.velocity < material.high
        share = (material.high - material.low) / 2 / material.velocity
        assert share == pytest.approx(0.15 if material.name == "iron, cast" else 0.02)


@pytest.mark.parametrize("name", ["Carbon Steel", "carbon_steel", "iron armco", "brass 70 30"])
def test_material_named_in_another_hand(name: str) -> None:
    """Capitals, commas and underscores don't matter."""
    assert material_named(name).name in MATERIALS


def test_unknown_material_lists_the_known() -> None:
    """The names to choose from are in the message."""
    with pytest.raises(CalibrationError, match=r"carbon steel; mild steel; .*got 'unobtainium'"):
        material_named("unobtainium")


def test_implausible_velocity_is_told() -> None:
    """Half of steel's velocity is told with the range and what to look at."""
    text = plausible("carbon steel", 2.96)
    assert text is not None
    assert "velocity 2960 m/s is outside 5802 to 6038 m/s" in text
    assert "which echo the gate is on" in text
    with pytest.raises(CalibrationError, match="'velocity' must be > 0"):
        plausible("carbon steel", math.nan)


def test_temperature_rule_of_thumb() -> None:
    """1 % per 55 °C takes 5920 m/s at 20 °C to 5860.8 at 75 °C (rule of ASTM E797, from memory)."""
    k = temperature_coefficient("steel rule of thumb").per_kelvin
    assert k == pytest.approx(1.82e-4, rel=0.002)
    assert 5920 * temperature_factor(k, 75.0, 20.0) == pytest.approx(5860.8, abs=0.05)


def test_temperature_of_steel_1018() -> None:
    """About 0.8 m/s per °C between 0 and 50 °C (Do Trung Kien et al., seen in a text)."""
    coefficient = temperature_coefficient("Steel_1018")
    assert coefficient.known is Known.TEXT
    fall = 5920 * (1 - temperature_factor(coefficient.per_kelvin, 50.0, 0.0))
    assert fall / 50 == pytest.approx(0.8, rel=1e-9)


def test_temperature_errors_tell_the_mend() -> None:
    """An unknown coefficient, no temperature and degF for degC are refused."""
    with pytest.raises(CalibrationError, match="one of steel rule of thumb, steel 1018"):
        temperature_coefficient("brass")
    with pytest.raises(CalibrationError, match="temperature of the part must be above"):
        temperature_factor(1e-4, math.nan, 20.0)
    with pytest.raises(CalibrationError, match="temperature of the block must be above"):
        temperature_factor(1e-4, 20.0, -300.0)
    with pytest.raises(CalibrationError, match="give the coefficient as a share per K"):
        temperature_factor(0.0182, 75.0, 20.0)  # percent for a share


def test_warm_part_reads_thick_without_the_correction() -> None:
    """The sign: sound is slower in the warm part, and the corrected law tells its true wall."""
    factor = temperature_factor(1.82e-4, 75.0, 20.0)
    cold = ThicknessLaw(velocity=5.92)
    warm = ThicknessLaw(velocity=5.92, temperature_factor=factor)
    time = 2 * 10.0 / (5.92 * factor)
    assert float(cold.thickness(time)) > 10.0
    assert float(warm.thickness(time)) == pytest.approx(10.0, rel=1e-12)


@pytest.mark.parametrize(("wall", "separation", "whole"), [(2.0, 3.0, 5.0), (12.0, 10.0, 26.0)])
def test_v_path_of_pythagoras(wall: float, separation: float, whole: float) -> None:
    """Whole triangles: the way down and up, and back from it to the wall (geometry)."""
    assert 2 * float(half_path(wall, separation)) == pytest.approx(whole, rel=1e-12)
    assert float(thickness_of_half_path(whole / 2, separation)) == pytest.approx(wall, rel=1e-12)


def test_v_path_left_out_reads_thin_walls_thick() -> None:
    """The excess grows as the wall thins (geometry, separation 3 mm)."""
    walls = np.array([1.0, 2.0, 5.0, 10.0, 25.0])
    expected = [0.802776, 0.500000, 0.220153, 0.111874, 0.044960]
    assert over_reading(walls, 3.0).tolist() == pytest.approx(expected, abs=1e-6)


def test_any_two_steps_tell_velocity_and_zero() -> None:
    """The relation v = 2 (d2 - d1) / (t2 - t1) on an exact block (arithmetic, no outside value)."""
    block = {
        2.5: 1.094594595,
        5.0: 1.939189189,
        10.0: 3.628378378,
        20.0: 7.006756757,
        25.0: 8.695945946,
    }
    law = ThicknessLaw(velocity=5.920, zero_offset=0.250)
    assert law.time_of_flight(list(block)).tolist() == pytest.approx(list(block.values()), abs=1e-9)
    steps = [StepReading(thickness=d, time_of_flight=t) for d, t in block.items()]
    for k, first in enumerate(steps):
        for second in steps[k + 1 :]:
            if first.thickness == 20.0:
                continue  # 20 and 25 mm lie too close for the nine digits given
            found = solve_steps([second, first])
            assert found.velocity == pytest.approx(5.920, abs=3e-9 * 5.92 / 0.8)
            assert found.zero_offset == pytest.approx(0.250, abs=2e-9)
