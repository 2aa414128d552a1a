"""Names of an axis's ends, and positions round a pipe in hours."""

from __future__ import annotations

import pytest

from daemon.handmade import INDEX_STEPPED, station_text
from swathe.errors import StationError
from swathe.station import AxisNames, ClockSettings, parse_station

CLOCK = "clock = {{ reads = {reads!r}, looking = 'downstream'{more} }}\n"


def names(**clock: object) -> AxisNames:
    """Return names with a clock."""
    return AxisNames(clock=ClockSettings.model_validate(clock))


@pytest.mark.parametrize(
    ("position", "text"),
    [
        (0, "12 o'clock"),
        (171, "3 o'clock"),
        (342, "6 o'clock"),
        (57 * 2.5, "2:30"),
        (683.9, "12 o'clock"),
        (684 * 5 + 171, "3 o'clock"),
        (-171, "9 o'clock"),
    ],
)
def test_hour_of_a_position(position: float, text: str) -> None:
    """A turn has twelve hours, to a quarter of an hour, on any turn."""
    assert names().hour(position, 684) == text


def test_hours_run_the_other_way_and_begin_anywhere() -> None:
    """The clock begins with the hour that its position reads, in the direction that is given."""
    other = names(at="10 mm", reads="3:30", direction="counterclockwise")
    assert other.hour(10, 684) == "3:30"
    assert other.hour(10 + 57, 684) == "2:30"
    stepped = names(circumference="1200 mm")
    assert stepped.hour(300, 684) == "3 o'clock"


def test_extent_in_hours() -> None:
    """From the first hour to the last, one where both are the same, 'all round' for a turn."""
    clock = names()
    assert clock.hours(171 - 14.25, 171 + 14.25, 684) == "2:45 to 3:15"
    assert clock.hours(170, 172, 684) == "3 o'clock"
    assert clock.hours(684 - 57, 684 + 57, 684) == "11 to 1 o'clock"
    assert clock.hours(-2, 682, 684) == "all round"
    assert AxisNames().hours(0, 5, 684) == AxisNames().hour(3, 684) == ""


def test_towards_an_end() -> None:
    """Rising positions go to the high end."""
    axis = AxisNames(low_end="upstream", high_end="downstream")
    assert (axis.towards(rising=True), axis.towards(rising=False)) == axis.ends[::-1]


@pytest.mark.parametrize("reads", ["13", "0:30", "3:75", "three", "noon"])
def test_hour_must_be_one(reads: str) -> None:
    """What is no position on a clock is refused by name."""
    with pytest.raises(StationError, match=r"scan.clock.reads.*must be a position on a clock"):
        station(reads=reads)


def station(*, reads: str = "12 o'clock", more: str = "", wrapped: bool = True) -> None:
    """Read a station file with a clock on the scan axis."""
    clock = f'clock = {{ reads = "{reads}"{more} }}\n'
    mode = 'mode = "wrapped"\n' if wrapped else ""
    parse_station(station_text(scan=mode + clock), "x")


def test_clock_has_one_circumference() -> None:
    """A wrapped axis is the circumference; any other requires one."""
    station()
    station(wrapped=False, more=', circumference = "684 mm"')
    with pytest.raises(StationError, match=r"scan.clock.circumference.*must not be given"):
        station(more=', circumference = "684 mm"')
    with pytest.raises(StationError, match=r"scan.clock.circumference.*is required"):
        station(wrapped=False)


def test_ends_and_clock_of_a_stepped_axis() -> None:
    """The lines of a stepped axis may go round a pipe."""
    index = INDEX_STEPPED.format(length=11, advance="command")
    index += 'high_end = "left"\nclock = { at = "0 mm", reads = "6", circumference = "12 mm" }\n'
    found = parse_station(station_text(index=index), "x").index
    assert found is not None
    assert (found.ends, found.hour(3, 11)) == (("", "left"), "9 o'clock")
