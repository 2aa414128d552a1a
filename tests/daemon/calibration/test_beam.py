"""A probe as it is described: values that cannot be are refused."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from swathe.calibration import (
    CalibrationError,
    Probe,
    ProbeKind,
    beam_width,
    half_angle,
    last_axial_maximum,
    near_field,
)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("diameter_mm", math.inf),
        ("diameter_mm", 0.0),
        ("frequency_MHz", math.inf),
        ("frequency_MHz", -5.0),
        ("separation_mm", math.inf),
        ("separation_mm", -1.0),
        ("colour", "red"),
    ],
)
def test_probe_that_cannot_be_is_refused(key: str, value: object) -> None:
    """Neither infinity, nor zero, nor an unknown key makes a probe."""
    whole = {"kind": "dual", "diameter_mm": 10.0, "frequency_MHz": 5.0, "separation_mm": 3.0}
    Probe.model_validate(whole)
    with pytest.raises(ValidationError):
        Probe.model_validate(whole | {key: value})


def test_probe_is_not_changed_after_it_is_made() -> None:
    """A probe keeps what it was described with; a single element without separation by default."""
    probe = Probe(diameter_mm=10.0, frequency_MHz=5.0)
    assert (probe.kind, probe.separation_mm) == (ProbeKind.SINGLE, 0.0)
    with pytest.raises(ValidationError, match="frozen"):
        setattr(probe, "diameter_mm", 12.0)  # noqa: B010 (a plain assignment is a type error)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize("at", [0, 1, 2])
def test_beam_of_a_value_that_cannot_be_names_it(at: int, bad: float) -> None:
    """Diameter, frequency and velocity are each looked at, by each formula."""
    values = [10.0, 5.0, 6.0]
    values[at] = bad
    name = ("'diameter' must be > 0 mm", "'frequency' must be > 0 MHz", "'velocity' must be > 0 mm")
    for formula in (near_field, last_axial_maximum, half_angle):
        with pytest.raises(CalibrationError, match=name[at]):
            formula(*values)


def test_beam_of_a_probe_as_wide_as_the_wavelength() -> None:
    """6 mm/µs at 4 MHz is a wave of 1.5 mm: a probe of 1.5 mm has no maximum, one of 3 mm has."""
    with pytest.raises(CalibrationError, match="wider than a wavelength"):
        last_axial_maximum(1.5, 4.0, 6.0)
    assert last_axial_maximum(3.0, 4.0, 6.0) == pytest.approx((9 - 2.25) / 6)
    assert near_field(3.0, 4.0, 6.0) == pytest.approx(9 / 6)


@pytest.mark.parametrize(("k", "degrees"), [(1.0, 30.0), (1.999, 88.188), (2.0, None), (0.0, None)])
def test_half_angle_at_the_limits_of_its_sine(k: float, degrees: float | None) -> None:
    """A probe of two wavelengths halves k; a sine of 0, or of 1, is no beam."""
    if degrees is None:
        with pytest.raises(CalibrationError, match="such a probe makes no beam"):
            half_angle(3.0, 4.0, 6.0, k=k)
    else:
        assert half_angle(3.0, 4.0, 6.0, k=k) == pytest.approx(degrees, abs=1e-3)


@pytest.mark.parametrize("depth", [-1e-9, math.nan, math.inf])
def test_beam_width_at_no_depth_is_refused(depth: float) -> None:
    """At the surface it has its narrowest width; above it, or nowhere, it has none."""
    assert beam_width(0.0, diameter=10.0, frequency=5.0, velocity=6.0) == pytest.approx(2.57)
    with pytest.raises(CalibrationError, match="'depth' must be >= 0 mm"):
        beam_width(depth, diameter=10.0, frequency=5.0, velocity=6.0)
