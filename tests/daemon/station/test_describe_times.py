"""What ``check`` shows of the times of each device."""

from __future__ import annotations

import pytest

from support.world.devices import Time
from support.world.worlds import make_world, standard_scene
from swathe.station import parse_station
from swathe.station.describe import summarize_station


def gauge_line(text: str) -> str:
    """Return what is shown of the gauge's times."""
    lines = summarize_station(parse_station(text, "bench.toml"))
    (line,) = [line for line in lines if line.startswith("times of gauge")]
    return line


@pytest.mark.parametrize(
    ("time", "shown"),
    [
        ("clock", "times of gauge by its own clock"),
        ("number", "times of gauge by its pulse number, period 4 ms"),
        (
            "steady",
            "times of gauge by a steady rate if it shows one, period 4 ms, else by arrival; "
            "better: a clock or a running number in its records",
        ),
        (
            "irregular",
            "times of gauge by a steady rate if it shows one, a period that is found, else by "
            "arrival; better: a clock or a running number in its records",
        ),
    ],
)
def test_each_kind_of_time_is_shown(time: Time, shown: str) -> None:
    """A line has the source, the period if there is one, and what would be better."""
    assert gauge_line(make_world(standard_scene("line", time), seed=1).text) == shown


def test_triggered_device_is_timed_by_arrival() -> None:
    """Its records come at no rate: only how late they may be is known."""
    text = make_world(standard_scene("line", "irregular"), seed=1).text
    text = text.replace("[device.gauge]\n", "[device.gauge]\ntriggered = true\n")
    assert gauge_line(text) == (
        "times of gauge by arrival, up to 100 ms late (placing.lateness); "
        "better: a clock or a running number in its records"
    )
