"""Alarms on the board: the first one whole, with what to do; the others as far as there is space."""

from __future__ import annotations

import textwrap

import pytest
from rich.text import Text

from daemon.messages.test_messages import OF, alarm
from swathe.board.alarm_lines import alarm_lines
from swathe.messages import AlarmMessage

LONG = "the counter jumped by 500 counts while no probe moved: go to the start and set it there"


def lines(count: int, most: int) -> list[str]:
    """Return the lines of so many alarms on 60 columns."""
    alarms = [
        AlarmMessage.of_alarm(alarm(number=number, detail=LONG), OF) for number in range(count)
    ]

    def wrap(text: str, style: str) -> list[Text]:
        return [Text(line, style) for line in textwrap.wrap(text, 60)]

    found = alarm_lines(alarms, most, wrap, plan=None)
    assert len(found) <= most
    return [line.plain for line in found]


def test_no_alarm_is_a_line() -> None:
    """There is always something to read."""
    assert lines(0, 4) == ["no alarm"]


@pytest.mark.parametrize("most", [3, 4, 9])
def test_one_alarm_is_whole(most: int) -> None:
    """What to do is at its end."""
    found = lines(1, most)
    assert len(found) == 3
    assert "set it there (since " in " ".join(found)


def test_first_alarm_is_whole_and_the_others_as_there_is_space() -> None:
    """All of them if they fit, else how many more there are."""
    whole = lines(1, 9)
    found = lines(3, 5)
    assert found[:3] == whole
    assert [line[:4] for line in found[3:]] == ["! #1", "! #2"]
    found = lines(4, 5)
    assert found[:3] == whole
    assert found[3].startswith("! #1")
    assert found[4] == "  and 2 more alarms"
    assert lines(2, 4)[3].startswith("! #1")


def test_few_lines_cut_the_first_alarm_and_show_how_many_there_are() -> None:
    """A cut text ends with a sign that it is cut."""
    assert lines(9, 1)[0].startswith("! 9 alarms: #0 coupling lost at 12.3 / 3.0 mm: the counter")
    two = lines(9, 3)
    assert two[1].endswith("…")
    assert two[2] == "  and 8 more alarms"
    assert lines(2, 2)[0].endswith("…")
    assert lines(2, 2)[1].startswith("! #1")
