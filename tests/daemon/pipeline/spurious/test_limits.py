"""Readings beyond what a part can have."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.strategies import readings
from swathe.errors import StationError
from swathe.pipeline.spurious.limits import flag_impossible, thickness_limits
from swathe.reading_flags import ReadingFlag
from swathe.station import parse_station

STATION = """name = "bench"
[survey]
folder = "survey"
{}
[scan]
length = "10 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[device.encoder]
port = "socket://encoder:1"
driver = "delimited"
[device.encoder.protocol]
columns = [{{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "socket://gauge:1"
driver = "delimited"
[device.gauge.protocol]
columns = [{{ is = "thickness", unit = "mm" }}]
"""


@pytest.mark.parametrize(
    ("survey", "expected"),
    [
        ("", (0.0, 10_000.0)),
        ('nominal_thickness = "12 mm"', (0.0, 60.0)),
        ('thickness_limits = ["1 mm", "2 in"]', (1.0, 50.8)),
        ('nominal_thickness = "12 mm"\nthickness_limits = ["1 mm", "20 mm"]', (1.0, 20.0)),
    ],
)
def test_limits_are_stated_or_follow_from_the_plan(
    survey: str, expected: tuple[float, float]
) -> None:
    """No thin reading is impossible unless a limit is stated."""
    limits = thickness_limits(parse_station(STATION.format(survey), "bench.toml"))
    assert limits == pytest.approx(expected)


@pytest.mark.parametrize(
    "survey",
    [
        'thickness_limits = ["20 mm", "1 mm"]',
        'thickness_limits = ["-1 mm", "20 mm"]',
        'nominal_thickness = "30 mm"\nthickness_limits = ["1 mm", "20 mm"]',
        'alert_below = "2 mm"\nthickness_limits = ["2 mm", "20 mm"]',
    ],
)
def test_limits_that_would_hide_what_is_looked_for_are_refused(survey: str) -> None:
    """The nominal thickness and the alert level are between them."""
    with pytest.raises(StationError, match=r"survey\.thickness_limits"):
        parse_station(STATION.format(survey), "bench.toml")


def test_impossible_readings_count_as_no_echo_and_keep_their_value() -> None:
    """Both limits are possible; what was invalid before is not flagged."""
    found = readings(
        range(7), [1e20, np.inf, 60.0, 60.1, 0.5, 0.4, 99.0], valid=[True] * 6 + [False]
    )
    assert flag_impossible(found, (0.5, 60.0)) == 4
    impossible = (found["flags"] & ReadingFlag.IMPOSSIBLE) > 0
    assert impossible.tolist() == [True, True, False, True, False, True, False]
    assert found["valid"].tolist() == [False, False, True, False, True, False, False]
    assert found["thickness"][0] == 1e20
