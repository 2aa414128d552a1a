"""The beam of a flat circular probe against piston theory and a published example.

Sources: NDE-Ed (university teaching site), page "near field" of its ultrasonic formulae, worked
example (verified); the piston's directivity 2 J1(x) / x by `scipy.special.j1` 1.17.1; textbooks print
k of 0.51 or 0.514 (both seen in texts) and a width of 0.25 D at the near field's end (from memory).
"""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError
from scipy.optimize import brentq, minimize_scalar
from scipy.special import j1

from swathe.calibration import (
    CalibrationError,
    Probe,
    ProbeKind,
    beam_width,
    half_angle,
    last_axial_maximum,
    near_field,
)
from swathe.calibration.beam import HALF_ANGLE_FACTOR


def test_near_field_of_the_worked_example() -> None:
    """D 0.375 in, 2.25 MHz, brass 0.1685e6 in/s: N = 0.469 in (verified)."""
    found = near_field(0.375 * 25.4, 2.25, 0.1685 * 25.4)
    assert found / 25.4 == pytest.approx(0.469, abs=0.0005)


def test_near_field_of_10_mm_at_5_mhz() -> None:
    """N = 20.9732 mm and the exact last maximum 20.6752 mm in steel of 5960 m/s (arithmetic)."""
    assert near_field(10.0, 5.0, 5.96) == pytest.approx(20.9732, abs=1e-4)
    assert last_axial_maximum(10.0, 5.0, 5.96) == pytest.approx(20.6752, abs=1e-4)


def test_last_axial_maximum_is_where_the_piston_has_it() -> None:
    """The axial pressure |sin(π/w (sqrt(a² + z²) - z))|, searched for its last maximum."""
    wave, radius = 5.96 / 5.0, 5.0

    def pressure(z: float) -> float:
        return -abs(math.sin(math.pi / wave * (math.hypot(radius, z) - z)))

    found = minimize_scalar(pressure, bounds=(15.0, 30.0), method="bounded")
    assert last_axial_maximum(10.0, 5.0, 5.96) == pytest.approx(float(found.x), abs=1e-4)


def test_half_angle_factor_is_the_pistons() -> None:
    """The echo, (2 J1(x) / x)², has fallen by 6 dB at x = π k with k = 0.5137."""
    x = brentq(lambda x: (2 * j1(x) / x) ** 2 - 10 ** (-6 / 20), 0.1, 3.0)
    assert float(x) / math.pi == pytest.approx(0.5137, abs=1e-4)
    assert pytest.approx(float(x) / math.pi, abs=0.002) == HALF_ANGLE_FACTOR


@pytest.mark.parametrize(("decibel", "k"), [(-12.0, 0.7040), (-20.0, 0.8694), (-6.0206, 0.5145)])
def test_half_angle_by_another_convention(decibel: float, k: float) -> None:
    """With the piston's own k, the echo at that angle has fallen by so much (computed values)."""
    angle = math.radians(half_angle(12.7, 5.0, 5.96, k=k))
    x = math.pi * 12.7 * 5.0 / 5.96 * math.sin(angle)
    assert 20 * math.log10((2 * float(j1(x)) / x) ** 2) == pytest.approx(decibel, abs=0.02)


@pytest.mark.parametrize(("k", "degrees"), [(0.51, 2.744), (0.514, 2.765)])
def test_half_angle_of_half_an_inch_at_5_mhz(k: float, degrees: float) -> None:
    """D 12.7 mm, 5 MHz, 5960 m/s (arithmetic of the formula)."""
    assert half_angle(12.7, 5.0, 5.96, k=k) == pytest.approx(degrees, abs=1e-3)
    assert near_field(12.7, 5.0, 5.96) == pytest.approx(33.828, abs=1e-3)


def test_beam_width_at_the_near_fields_end_is_a_quarter_of_the_probe() -> None:
    """0.25 D in textbooks (from memory), 0.2568 D by the piston's own factor."""
    n = near_field(12.7, 5.0, 5.96)
    found = beam_width(n, diameter=12.7, frequency=5.0, velocity=5.96)
    assert found / 12.7 == pytest.approx(0.25, abs=0.01)
    assert found / 12.7 == pytest.approx(0.2568, abs=0.001)


def test_beam_width_never_narrows_with_depth() -> None:
    """The waist is told throughout the near field; behind it the beam opens."""
    widths = [
        beam_width(depth, diameter=10.0, frequency=5.0, velocity=5.92) for depth in range(0, 100, 5)
    ]
    assert widths == sorted(widths)
    assert widths[0] == pytest.approx(2.57)
    assert widths[-1] > 2 * widths[0]


def test_probe_tells_its_beam() -> None:
    """A single-element probe has the formulas' near field and width."""
    probe = Probe(diameter_mm=10.0, frequency_MHz=5.0)
    assert probe.near_field(5.96) == pytest.approx(20.9732, abs=1e-4)
    assert probe.beam_width(0.0, 5.96) == pytest.approx(2.57)


def test_dual_element_probe_is_not_guessed() -> None:
    """Two elements cross their beams where a diameter does not say."""
    probe = Probe(kind=ProbeKind.DUAL, diameter_mm=6.0, frequency_MHz=5.0, separation_mm=3.0)
    with pytest.raises(CalibrationError, match="data sheet"):
        probe.near_field(5.92)
    with pytest.raises(CalibrationError, match="data sheet"):
        probe.beam_width(5.0, 5.92)


def test_single_element_with_a_separation_is_refused() -> None:
    """One element is not apart from itself."""
    with pytest.raises(ValidationError, match="must be 0 for a single element"):
        Probe(diameter_mm=6.0, frequency_MHz=5.0, separation_mm=3.0)


def test_beam_of_nothing_is_refused() -> None:
    """Values that cannot be, and a probe that makes no beam, are told."""
    with pytest.raises(CalibrationError, match="'diameter' must be > 0 mm"):
        near_field(0.0, 5.0, 5.92)
    with pytest.raises(CalibrationError, match="'frequency' must be > 0 MHz"):
        half_angle(10.0, math.nan, 5.92)
    with pytest.raises(CalibrationError, match="makes no beam"):
        half_angle(0.3, 5.0, 5.92)
    with pytest.raises(CalibrationError, match="wider than a wavelength"):
        last_axial_maximum(1.0, 5.0, 5.92)
    with pytest.raises(CalibrationError, match="'depth' must be >= 0"):
        beam_width(-1.0, diameter=10.0, frequency=5.0, velocity=5.92)
