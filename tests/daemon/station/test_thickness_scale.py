"""The scale of thickness follows from the station file alone."""

from __future__ import annotations

import pytest

from daemon.handmade import station_text
from swathe.display_units import INCHES, MILLIMETRES
from swathe.errors import StationError
from swathe.station import ThicknessScale, parse_station, scale_by_levels, scale_ticks
from swathe.station import thickness_scale as scale_of


def scale(survey: str = "", tables: str = "") -> ThicknessScale:
    """Return the scale of a station with these keys and tables."""
    return scale_of(parse_station(station_text(survey=survey) + tables, "s.toml"))


@pytest.mark.parametrize(
    ("nominal", "alert", "ends"),
    [
        (14.0, 8.0, (4.0, 16.0)),
        (12.0, 10.0, (7.0, 13.0)),  # a close alert level leaves room for pits
        (8.0, None, (4.0, 9.0)),
        (None, 6.0, (2.0, 12.0)),
        (None, None, (0.0, 30.0)),
        (5.0, 6.0, (3.5, 6.5)),  # an alert level above the nominal thickness
        (0.8, 0.01, (0.0, 1.0)),
    ],
)
def test_ends_follow_from_the_levels(
    nominal: float | None, alert: float | None, ends: tuple[float, float]
) -> None:
    """Both levels are within the scale, with room below for what is looked for."""
    found = scale_by_levels(nominal, alert, MILLIMETRES)
    assert (found.low, found.high) == pytest.approx(ends)
    assert all(found.low <= level <= found.high for level in (nominal, alert) if level is not None)


def test_user_sets_the_ends() -> None:
    """Lengths, or per cent of the nominal thickness, hold as they are given."""
    levels = 'nominal_thickness = "14 mm"\nalert_below = "8 mm"'
    given = scale(levels, '[picture]\nthickness = ["5.5 mm", "15 mm"]\n')
    assert given == ThicknessScale(5.5, 15.0, 14.0, 8.0)
    given = scale(levels, '[picture]\nthickness_percent = ["40 %", "110 %"]\n')
    assert (given.low, given.high) == pytest.approx((5.6, 15.4))


@pytest.mark.parametrize(
    ("picture", "problem"),
    [
        ('thickness = ["9 mm", "5 mm"]', "'picture.thickness' must rise from 0 or more"),
        ('thickness_percent = ["90 %", "50 %"]', "'picture.thickness_percent' must rise"),
        ('thickness_percent = ["50 %", "90 %"]', "needs survey.nominal_thickness"),
        (
            'thickness = ["5 mm", "9 mm"]\nthickness_percent = ["50 %", "90 %"]',
            "must not be given with picture.thickness",
        ),
    ],
)
def test_ends_that_make_no_scale_are_refused(picture: str, problem: str) -> None:
    """The message has the key and the remedy."""
    with pytest.raises(StationError, match=problem):
        scale(tables=f"[picture]\n{picture}\n")


def test_ticks_are_round_in_the_unit_shown() -> None:
    """Ticks are at round numbers between the ends, which have ticks of their own."""
    assert scale_ticks(ThicknessScale(4, 16), MILLIMETRES) == [4, 6, 8, 10, 12, 14, 16]
    assert scale_ticks(ThicknessScale(5.5, 15.4), MILLIMETRES) == [5.5, 8, 10, 12, 14, 15.4]
    inches = [mm / 25.4 for mm in scale_ticks(ThicknessScale(4, 16), INCHES)]
    assert inches == pytest.approx([4 / 25.4, 0.3, 0.4, 0.5, 16 / 25.4])
    assert scale_by_levels(0.551 * 25.4, 0.315 * 25.4, INCHES).low == pytest.approx(0.1 * 25.4)
