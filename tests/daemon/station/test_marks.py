"""Named marks of the station file: what is refused and how, and which line one is on."""

from __future__ import annotations

import pytest

from daemon.handmade import INDEX_ENCODED, INDEX_STEPPED, station, station_text
from swathe.errors import StationError
from swathe.station import line_of_mark, mark_named, parse_station, position_text
from swathe.station.describe import summarize_station

STEPPED = INDEX_STEPPED.format(length=4, advance="command")


def text(marks: str, *, index: str = "", scan: str = "") -> str:
    """Return a station file with the tables `marks` of a plan of 20 mm."""
    return station_text(index=index, exclude=marks, scan=scan)


def mark(name: str, **places: str) -> str:
    """Return the table of a mark."""
    keys = "".join(f'\n{axis} = "{place}"' for axis, place in places.items())
    return f'[[mark]]\nname = "{name}"{keys}\n'


@pytest.mark.parametrize(
    ("marks", "index", "problem"),
    [
        (
            mark("weld 12", scan="3 mm") + mark("WELD  12", scan="4 mm"),
            "",
            "'mark[1].name' must be unique: mark[0] has it, in either case (got 'WELD  12'):"
            " rename one of them",
        ),
        (
            mark("12", scan="3 mm"),
            "",
            "'mark[0].name' must not be a number (got '12'): add a word, such as 'weld 12': a"
            " number is taken for a position",
        ),
        (
            mark("2 in", scan="3 mm"),
            "",
            "'mark[0].name' must not be a number (got '2 in'): add a word, such as 'weld 12': a"
            " number is taken for a position",
        ),
        (
            mark("datum"),
            "",
            "'mark[0]' must have 'scan', 'index' or both (got 'neither'): scan = \"1240 mm\"",
        ),
        (
            mark("weld", scan="10.1 m"),
            "",
            "'mark[0].scan' must be near the plan, from -10000 mm to 10020 mm (got '10100 mm'):"
            " is its unit right?",
        ),
        (
            mark("weld", scan="3 mm", index="1 mm"),
            "",
            "'mark[0].index' needs an index axis (got '1 mm'): remove it: a plan without an index"
            " axis is a line profile",
        ),
        (
            mark("weld", index="4.6 mm"),
            STEPPED,
            "'mark[0].index' must be on a line of the plan, -0.5 mm to 4.5 mm (got '4.6 mm'): leave"
            " it out: an index axis without encoder is set by its line",
        ),
        (
            mark("weld", index="4.1 mm"),
            INDEX_ENCODED.format(length=4) + 'mode = "wrapped"\n',
            "'mark[0].index' must be on the circumference, 0 mm to 4 mm (got '4.1 mm'): give the"
            " position within a turn",
        ),
    ],
)
def test_mark_that_cannot_be_used_is_refused_with_its_remedy(
    marks: str, index: str, problem: str
) -> None:
    """Key, requirement, value and remedy, as of every other table."""
    with pytest.raises(StationError) as caught:
        parse_station(text(marks, index=index), "x")
    assert [str(one) for one in caught.value.problems] == [problem]


def test_datum_outside_the_plan_is_accepted() -> None:
    """A datum or a weld may be metres from the first cell; both ends of the range belong to it."""
    marks = mark("datum", scan="-10 m") + mark("end", scan="10020 mm") + mark("a", scan="0 mm")
    assert [one.scan for one in station(text(marks)).mark] == [-10_000.0, 10_020.0, 0.0]


def test_mark_of_a_faulty_axis_brings_no_problem_of_its_own() -> None:
    """What is wrong with the axis is reported once."""
    wrong = STEPPED.replace('length = "4 mm"', 'length = "4"')
    with pytest.raises(StationError) as caught:
        parse_station(text(mark("weld", index="1 mm"), index=wrong), "x")
    assert [problem.key for problem in caught.value.problems] == ["index.length"]


def test_mark_is_found_in_either_case() -> None:
    """A name is typed at the wall, with one hand."""
    marks = station(text(mark("Weld 12", scan="3 mm") + mark("datum", scan="0 mm"))).mark
    assert mark_named(marks, " weld  12 ") is marks[0]
    assert mark_named(marks, "DATUM") is marks[1]
    assert mark_named(marks, "weld") is None


def test_line_of_a_mark_is_the_one_that_holds_its_index() -> None:
    """Half a cell to each side of a line belongs to it; without an index there is no line."""
    given = {"a": 0.0, "b": 1.4, "c": 1.6, "d": 4.4}
    marks = "".join(mark(name, index=f"{at} mm") for name, at in given.items())
    made = station(text(marks + mark("e", scan="1 mm"), index=STEPPED))
    assert [line_of_mark(made, one) for one in made.mark] == [0, 1, 2, 4, None]


def test_summary_lists_the_marks() -> None:
    """`swathe check` shows what the names mean."""
    marks = mark("weld 12", scan="1240 mm", index="2 mm") + mark("datum", scan="0 mm")
    lines = summarize_station(station(text(marks, index=STEPPED)))
    assert "mark: weld 12, scan 1240 mm, index 2 mm" in lines
    assert "mark: datum, scan 0 mm" in lines
    assert position_text(None, 1.5) == "index 1.5 mm"
