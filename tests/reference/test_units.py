"""Units against the International Yard and Pound and pint's own definitions.

Sources: 1 inch = 25.4 mm exactly (international yard and pound agreement of 1959, as Pint 0.25.3's
default registry has it); the other values were computed with Pint 0.25.3 when these tests were
written.
"""

from __future__ import annotations

import pint
import pytest

from swathe.units import duration_ns, length, time_of_flight, velocity


@pytest.mark.parametrize(
    ("text", "mm"),
    [("1 inch", 25.4), ("1 in", 25.4), ("1 thou", 25.4e-3), ("1 ft", 304.8), ("1 yd", 914.4)],
)
def test_length_inch_family_exact(text: str, mm: float) -> None:
    """The inch is exactly 25.4 mm and the rest follows from it."""
    assert length(text) == pytest.approx(mm, rel=1e-12)


def test_velocity_inches_per_microsecond() -> None:
    """0.2320 in/us is 5892.8 m/s."""
    assert velocity("0.2320 in/us") == pytest.approx(5.8928, rel=1e-9)
    assert velocity("5892.8 m/s") == pytest.approx(velocity("0.2320 in/us"), rel=1e-9)


@pytest.mark.parametrize("unit", ["mm", "in", "thou", "cm", "m", "ft", "um", "nm", "nautical_mile"])
def test_length_agrees_with_pint(unit: str) -> None:
    """Every unit comes out as pint's own registry converts it."""
    registry: pint.UnitRegistry[float] = pint.UnitRegistry()
    expected = float(registry.Quantity(3.25, unit).to("mm").magnitude)
    spelt = unit if "_" not in unit else "nmi"
    assert length(f"3.25 {spelt}") == pytest.approx(expected, rel=1e-11)


def test_mil_is_an_angle_in_pint() -> None:
    """The reason for refusing it: pint reads "mil" as an angle, not as a thousandth of an inch."""
    registry: pint.UnitRegistry[float] = pint.UnitRegistry()
    assert registry.Quantity(1.0, "mil").check("[]")
    # 1/6400 of a turn since pint 0.26, a tenth of it before.
    degrees = round(registry.Quantity(1.0, "mil").to("degree").magnitude, 9)
    assert degrees in {0.05625, 0.005625}
    assert registry.Quantity(1.0, "thou").to("inch").magnitude == pytest.approx(0.001)


def test_times_agree_with_pint() -> None:
    """A minute is 60 s, whatever is asked of it."""
    assert duration_ns("1 min") == 60_000_000_000
    assert time_of_flight("1 ms") == 1000.0
