"""Lengths as a person reads them: customary decimals in mm and in inches, and what is typed."""

from __future__ import annotations

import pytest

from swathe.display_units import INCHES, MILLIMETRES, DisplayUnits


def test_thickness_has_customary_decimals() -> None:
    """A wall is written to 0.01 mm or 0.001 in, a deviation to one decimal more."""
    assert MILLIMETRES.thickness_text(6.8) == "6.80 mm"
    assert INCHES.thickness_text(6.8) == "0.268 in"
    assert MILLIMETRES.difference_text(-0.0241, sign=True) == "-0.024 mm"
    assert INCHES.difference_text(0.0241, sign=True) == "+0.0009 in"
    assert INCHES.difference_text(-0.0001) == "0.0000 in"
    assert INCHES.thickness(6.8) == 0.268
    assert INCHES.thickness_text(None) == INCHES.thickness_text(float("nan")) == "– in"


@pytest.mark.parametrize(
    ("units", "resolution", "expected"),
    [
        (INCHES, 0.05 * 25.4, "1.80 in"),
        (INCHES, 0.0625 * 25.4, "1.8000 in"),
        (INCHES, 0.125 * 25.4, "1.800 in"),
        (INCHES, 1 * 25.4, "1.80 in"),
        (INCHES, 1.0, "1.800 in"),  # 1 mm has no end in inches: a tenth of it
        (INCHES, None, "1.80 in"),
        (MILLIMETRES, 1.0, "45.7 mm"),
        (MILLIMETRES, 0.25, "45.72 mm"),
        (MILLIMETRES, 0.05 * 25.4, "45.72 mm"),
        (MILLIMETRES, None, "45.7 mm"),
    ],
)
def test_place_has_the_decimals_of_its_cells(
    units: DisplayUnits, resolution: float | None, expected: str
) -> None:
    """Neighbouring cells differ in what is written, and none gets digits that it does not have."""
    assert units.place_text(45.72, resolution) == expected


def test_neighbours_of_sixteenths_are_told_apart_exactly() -> None:
    """Places of 0.0625 in cells are written exactly."""
    step = 0.0625 * 25.4
    texts = [INCHES.place_text(k * step, step) for k in range(4)]
    assert texts == ["0.0000 in", "0.0625 in", "0.1250 in", "0.1875 in"]


def test_stated_lengths_keep_what_was_stated() -> None:
    """In mm as it was given; in inches with the decimals of its cells or those it needs."""
    assert MILLIMETRES.stated_text(4.0) == "4 mm"
    assert MILLIMETRES.stated_text(1234567.5) == "1234567.5 mm"
    assert INCHES.stated_text(0.05 * 25.4) == "0.05 in"
    assert INCHES.stated_text(0.0625 * 25.4) == "0.0625 in"
    assert INCHES.stated_text(25.4) == "1.00 in"
    assert INCHES.stated_text(0.1) == "0.0039 in"
    assert INCHES.stated_text(45.72, 0.0625 * 25.4) == "1.8000 in"
    assert INCHES.stated_thickness_text(5.08) == "0.200 in"
    assert INCHES.stated_thickness_text(1.5875) == "0.0625 in"
    assert INCHES.stated_thickness_text(5.0) == "0.197 in"
    assert MILLIMETRES.stated_thickness_text(5.08) == "5.08 mm"


def test_other_quantities() -> None:
    """Speeds, areas, velocities and travel; 1 in² is 645.16 mm²."""
    assert INCHES.speed_text(250.0) == "9.84 in/s"
    assert MILLIMETRES.speed_text(250.0) == "250.0 mm/s"
    assert INCHES.area_text(2 * 645.16) == "2.00 in²"
    assert MILLIMETRES.area_text(1290.0) == "1,290 mm²"
    assert INCHES.velocity_text(5.92) == "0.2331 in/µs"
    assert MILLIMETRES.velocity_text(5.92) == "5920.0 m/s"
    assert INCHES.travel_text(12_300) == "40.4 ft"
    assert MILLIMETRES.travel_text(12_300) == "12.3 m"


def test_typed_lengths() -> None:
    """A plain number is in the unit shown; a unit says otherwise."""
    assert INCHES.read_length("1.5") == 38.1
    assert INCHES.read_length("38 mm") == 38.0
    assert MILLIMETRES.read_length(" 38 ") == 38.0
    assert MILLIMETRES.read_length("1.5 in") == 38.1
    for text in ("", "abc", "1.5 kg", "nan", "inf"):
        with pytest.raises(ValueError, match=r"4\.75 in"):
            INCHES.read_length(text)
