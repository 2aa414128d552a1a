"""The line that is scanned, in a banner: before and after a change, and while nothing counts."""

from __future__ import annotations

from rich.text import Text

from daemon.board.test_stations import put, state
from daemon.messages.test_messages import OF, progress
from swathe.board import Stations
from swathe.board.line_banner import LineBanner
from swathe.messages import ProgressMessage
from swathe.pipeline import LineNow


def shown(stations: Stations, banner: LineBanner, now: float, line: LineNow | None) -> list[str]:
    """Return its lines for a message."""
    put(stations, "state", state())
    put(stations, "progress", ProgressMessage.of(progress(line_now=line), OF))
    (view,) = stations.views
    lines = banner.lines(view, now, 70, lambda text, style: [Text(text, style)])
    if lines:
        assert lines[0].cell_len == 70
        assert "reverse" in str(lines[0].style)
    return [one.plain.rstrip() for one in lines]


def test_line_before_and_after_a_change() -> None:
    """The line before is shown until the new one counts, and some seconds longer."""
    stations, banner = Stations(), LineBanner()
    six = LineNow(number=6, lines=12, index=36.0, settled=True)
    seven = LineNow(number=7, lines=12, index=42.0, settled=False, waiting="move it by 2 cells")
    assert shown(stations, banner, 0.0, None) == []
    assert shown(stations, banner, 0.0, six) == ["  LINE 6   index 36 mm   (lines 0 to 11)"]
    new = "  LINE 7   index 42 mm   (lines 0 to 11)"
    waiting = [f"{new}   before: line 6", "NOTHING COUNTS YET: move it by 2 cells"]
    for now in (1.0, 100.0):
        assert shown(stations, banner, now, seven) == waiting
    counts = seven.model_copy(update={"settled": True, "waiting": ""})
    assert shown(stations, banner, 101.0, counts) == [new]
    eight = counts.model_copy(update={"number": 8, "index": 48.0})
    changed = "  LINE 8   index 48 mm   (lines 0 to 11)"
    assert shown(stations, banner, 102.0, eight) == [f"{changed}   before: line 7"]
    assert shown(stations, banner, 107.0, eight) == [changed]
