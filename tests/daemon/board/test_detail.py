"""One station on terminals of any size: nothing wrapped in its middle, the map and what is wrong."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from rich.text import Text

from daemon.board.test_board import PlainPanel
from daemon.board.test_stations import gap, put, span, state
from daemon.messages.test_messages import NOW, OF, alarm, check, progress, tally
from swathe.board import Board, Stations
from swathe.board.block_map import BlockMap
from swathe.board.fitting import fitted_parts, joined_lines
from swathe.board.run_state import crawler_lines
from swathe.live.run_panel import CAUTION
from swathe.messages import (
    STATE_WORDS,
    AlarmMessage,
    CheckMessage,
    CrawlerFault,
    CrawlerMessage,
    PlanMessage,
    PortMessage,
    ProgressMessage,
)
from swathe.station import AlarmKind

STATIC = Path(__file__).parents[3] / "daemon" / "swathe" / "page" / "static"
PLAN = PlanMessage(
    scan=span(-1.5, 898.5),
    index=span(-4.0, 244.0),
    scan_resolution=3.0,
    index_resolution=8.0,
    lines=31,
    profile=False,
    alert_below=8.0,
    excluded=(),
)
FIGURES = {"scan": 447.0, "index": 96.0, "minimum_scan": 123.0, "minimum_index": 40.0}
SIZES = [
    (40, 12),
    (50, 16),
    (60, 20),
    (80, 24),
    (80, 30),
    (100, 30),
    (120, 40),
    (200, 50),
    (300, 100),
]
TODO = "see to the cause, and when everybody is clear of it: press g at the station's terminal"
STATES: dict[str, dict[str, Any]] = {
    "scanning": {},
    "paused": {"reason": "by A. Kern"},
    "waiting": {
        "reason": "stopped: motor and encoder disagree: motor and encoder are -4.7 mm (scan) apart",
        "todo": TODO,
        "since": NOW,
    },
    "faulted": {"reason": "motor and encoder disagree", "since": NOW},
    "resuming": {"resumed": 45.0, "resumed_in": 12},
    "complete": {"reason": "the plan is covered"},
    "incomplete": {"reason": "terminated", "halted": True},
}


class RunLike(PlainPanel):
    """The lines that a run has."""

    def foot_lines(self) -> list[str]:
        """Return the caution of a run."""
        return [CAUTION]


def station(name: str, *, busy: bool) -> Stations:
    """Return a station of 31 lines in a state; with gaps, alarms and a failed check where busy."""
    stations = Stations()
    put(
        stations,
        "state",
        state(state=name, plan=PLAN, part="penstock, 2nd course", **STATES[name]),
        now=1e9,
    )
    put(
        stations,
        "progress",
        ProgressMessage.of(progress(**FIGURES, seconds_left=83.0), OF),
        now=1e9,
    )
    for device in ("encoder", "gauge"):
        put(
            stations, f"port/{device}", PortMessage.of_tally(device, tally(), OF, stalls=0), now=1e9
        )
    if busy:
        for number in range(1, 12):
            at = {"scan": (30.0 * number, 30.0 * number + 9), "index": (36.0, 44.0)}
            put(stations, f"gap/{number}", gap(number=number, area=72.0, **at), now=1e9)
            put(
                stations,
                f"alarm/{number}",
                AlarmMessage.of_alarm(alarm(number=number), OF),
                now=1e9,
            )
        put(stations, "check/2", CheckMessage.of_check(check(), OF), now=1e9)
    return stations


class Warned(RunLike):
    """What a run reports of its links: one is in order, one is not."""

    def health_lines(self) -> list[Text]:
        """Return a line in order and one that is not."""
        return [Text("page: in order"), Text("broker LOST", style="bold yellow")]


def drawn(
    stations: Stations, width: int, height: int, panel: PlainPanel | None = None
) -> list[str]:
    """Return the lines of a board on a terminal of that size."""
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=True, color_system=None)
    console.print(Board(console, stations, panel or RunLike(), ring=lambda: None).render())
    return out.getvalue().rstrip("\n").split("\n")


def map_rows(lines: list[str]) -> int:
    """Return how many lines are rows of the map."""
    return sum(
        bool(re.fullmatch(r"[ \d.]{0,6} ?[▪·▫×?~/○◆ ]{25,}", line))
        and any(one in line for one in "▪·▫×/")
        for line in lines
    )


@pytest.mark.parametrize("busy", [True, False])
@pytest.mark.parametrize("name", STATES)
def test_every_size_has_what_matters(name: str, *, busy: bool) -> None:
    """From 40 × 12 to 300 × 100: as many lines as the terminal has, figures whole, words uncut."""
    stations = station(name, busy=busy)
    for width, height in SIZES:
        lines = drawn(stations, width, height)
        assert len(lines) == height, (width, height)
        assert max(map(len, lines)) <= width, (width, height)
        text, flowing = "\n".join(lines), " ".join(" ".join(lines).split())
        assert "25.00 % · 2 gaps" in text
        if height >= 16:
            assert "at 447.00 / 96.00 mm" in text
            assert "minimum 9.877 mm at 123.00 / 40.00" in text
        if height >= 24:
            assert "4 SUSPECT" in text
        assert "no emergency stop" in flowing
        assert lines[-1].endswith("? all keys · q quit")
        assert lines[0].startswith("swathe test" if height > 32 else "bench: penstock, 2nd course")
        if height >= 20:
            assert map_rows(lines) >= (9 if height >= 24 else 2), (width, height, text)
            assert "\n  0 " in text
            assert "\n240 " in text
            assert re.search(r"^ +0 .*mm.* 897$", text, re.MULTILINE)
            gaps = r"^gaps? [\d…]+ · scan .* mm|^ gap +away mm" if busy else "^no open gap"
            assert re.search(gaps, text, re.MULTILINE)
        if busy:
            assert "! " in text
            if height >= 20:
                assert "calibration check 2 FAILED" in text
        # The number of suspect cells and their word are in one line.
        assert not any(line.startswith("SUSPECT") for line in lines)


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_waiting_states_what_a_person_has_to_do(width: int, height: int) -> None:
    """Whole, on the smallest terminal too, and since when; there the reason is cut."""
    flowing = " ".join(" ".join(drawn(station("waiting", busy=True), width, height)).split())
    assert f"TO DO: {TODO}" in flowing
    since = f"WAITING for a person since {NOW.astimezone():%H:%M:%S}: stopped: motor and encoder disagree"
    assert (since if height >= 20 else since[:20]) in flowing
    assert "next: line 7" not in flowing


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("paused", "PAUSED: readings belong to no cell · by A. Kern"),
        (
            "faulted",
            f"FAULTED: the crawler is stopped since {NOW.astimezone():%H:%M:%S}: motor and encoder disagree",
        ),
        ("resuming", "resuming the survey: 45.0 % of the earlier runs, 12 s left"),
        ("complete", "run ended · The plan is covered"),
        (
            "incomplete",
            "run ended · The plan is not covered: terminated · a fault had stopped the crawler",
        ),
    ],
)
def test_each_state_is_explained(name: str, text: str) -> None:
    """In a line of its own below the title, which has the state's word."""
    lines = drawn(station(name, busy=False), 100, 30)
    assert f"bench: penstock, 2nd course {STATE_WORDS[name]} ─" in lines[0] + lines[1]
    assert any(text in line for line in lines[1:3])


def test_words_are_those_of_the_page() -> None:
    """What a map shows has one name each on page and terminal."""
    labels = (STATIC / "labels.js").read_text("utf-8")
    stations = station("scanning", busy=False)
    view = stations.views[0]
    legend = BlockMap().draw(view, width=60, height=9).plain.splitlines()[-1]
    assert "to scan" in legend
    for word in ("to scan", "too fast", "no signal"):
        assert f'"{word}"' in labels


def test_crawler_of_another_machine_is_described() -> None:
    """`watch` has the crawler's own message: what it does, and what stopped it."""
    message = CrawlerMessage(
        **OF,
        state="moving",
        since=NOW,
        armed=True,
        moving=True,
        doing="scans the raster",
        line=12,
        lines=31,
    )
    assert crawler_lines(None) == []
    homing = message.model_copy(
        update={"state": "homing", "doing": "homing: index, scan", "line": None}
    )
    assert crawler_lines(homing) == ["crawler homing: index, scan"]
    assert crawler_lines(message) == ["crawler moving, line 12 of 31: scans the raster"]
    fault = CrawlerFault(cause="motor and encoder disagree", text="3.2 mm, limit 2 mm", since=NOW)
    stopped = message.model_copy(
        update={"state": "faulted", "line": None, "doing": "", "fault": fault}
    )
    assert crawler_lines(stopped) == [
        "crawler faulted",
        "crawler fault: motor and encoder disagree, 3.2 mm, limit 2 mm",
    ]


def test_map_names_its_first_and_last_cells() -> None:
    """At both axes, in the station's unit; no index axis of a profile; nothing where no space is."""
    view = station("scanning", busy=False).views[0]
    lines = BlockMap().draw(view, width=60, height=9, axes=True).plain.splitlines()
    assert [line[:4] for line in lines[:9]] == [
        "  0 ",
        *["    "] * 3,
        "104 ",
        *["    "] * 3,
        "240 ",
    ]
    assert re.fullmatch(r"    0 +scan, index down, mm +897", lines[9])
    assert len(lines[9]) == 60
    inches = PLAN.model_copy(update={"units": "in"})
    view.state = state(plan=inches)
    lines = BlockMap().draw(view, width=60, height=9, axes=True).plain.splitlines()
    assert lines[8].startswith(f"{240 / 25.4:.2f}")
    view.state = state(plan=PLAN.model_copy(update={"profile": True, "lines": 1}))
    lines = BlockMap().draw(view, width=60, height=1, axes=True).plain.splitlines()
    assert re.fullmatch(r"0 +scan, mm +897", lines[1])


def test_title_keeps_the_state() -> None:
    """Of a long name of the part the end is cut, never the word for what the run does."""
    stations = station("waiting", busy=False)
    put(
        stations,
        "state",
        state(state="waiting", plan=PLAN, part="a part with a very long name " * 3),
        now=1e9,
    )
    assert re.match(r"bench: a part with .*… WAITING ─?", drawn(stations, 40, 12)[0])


def test_few_lines_are_drawn_higher_on_a_large_terminal() -> None:
    """Each line of the plan up to three times, its figure at the middle one, the probe likewise."""
    view = station("scanning", busy=False).views[0]
    view.state = state(plan=PLAN.model_copy(update={"lines": 4, "index": span(76.0, 108.0)}))
    lines = BlockMap().draw(view, width=60, height=17, axes=True).plain.splitlines()
    assert len(lines) == 12 + 2
    assert [line[:4] for line in lines[:12]] == ["    ", " 80 ", *["    "] * 8, "104 ", "    "]
    assert ["◆" in line for line in lines[:12]].index(True) == 2 * 3 + 1
    assert sum("◆" in line for line in lines[:12]) == 1
    lines = BlockMap().draw(view, width=60, height=7, axes=True).plain.splitlines()
    assert len(lines) == 4 + 2


def test_parts_are_never_parted() -> None:
    """Lines end between parts; what does not fit at all is left out from the end."""
    parts = ["at 1 mm", "minimum 7 mm", "4 SUSPECT"]
    assert joined_lines(parts, 80) == ["at 1 mm · minimum 7 mm · 4 SUSPECT"]
    assert joined_lines(parts, 24) == ["at 1 mm · minimum 7 mm", "4 SUSPECT"]
    assert joined_lines(parts, 5) == parts
    assert (
        fitted_parts(parts, 80, last="and 3 more")
        == "at 1 mm · minimum 7 mm · 4 SUSPECT · and 3 more"
    )
    assert fitted_parts(parts, 24, last="and 3 more") == "at 1 mm · and 3 more"
    assert fitted_parts(parts, 22) == "at 1 mm · minimum 7 mm"


@pytest.mark.parametrize("name", ["waiting", "faulted"])
@pytest.mark.parametrize("width", [80, 200])
def test_alarm_of_a_halted_crawler_does_not_repeat_the_banner(name: str, width: int) -> None:
    """The reason and what to do are shown once; of another alarm its own text, and all once it scans."""
    stations, why = station(name, busy=False), STATES[name]
    detail = "; ".join(str(why[key]) for key in ("reason", "todo") if key in why)
    for number, (kind, text) in enumerate(
        ((AlarmKind.CRAWLER, detail), (AlarmKind.COUPLING, "no echo for 2 s")), 1
    ):
        shown = AlarmMessage.of_alarm(alarm(number=number, kind=kind, detail=text), OF)
        put(stations, f"alarm/{number}", shown, now=1e9)
    found = " ".join(" ".join(drawn(stations, width, 30)).split())
    assert found.count("motor and encoder disagree") == 1
    assert "crawler halted at 12.3 / 3.0 mm (since " in found
    assert "no echo for 2 s (since " in found
    put(stations, "state", state(state="scanning", reason="", plan=PLAN), now=1e9)
    found = " ".join(" ".join(drawn(stations, 200, 30)).split())
    assert found.count("motor and encoder disagree") == 1


def test_few_lines_keep_what_is_not_in_order() -> None:
    """Where the map needs the lines, only what is in order makes way."""
    stations = station("waiting", busy=True)
    found = drawn(stations, 80, 24, Warned())
    assert "broker LOST" in found
    assert "page: in order" not in found
    assert {"broker LOST", "page: in order"} <= set(drawn(stations, 80, 45, Warned()))


def test_end_of_a_covered_plan_is_said_once() -> None:
    """Its reason is its title."""
    found = "\n".join(drawn(station("complete", busy=False), 120, 40)).lower()
    assert found.count("the plan is covered") == 1


def test_end_at_a_target_says_which() -> None:
    """94 % of the cells with gaps open is not the whole plan."""
    stations = station("complete", busy=False)
    reached = "the target of 94 % is reached"
    put(stations, "state", state(state="complete", reason=reached, plan=PLAN), now=1e9)
    found = "\n".join(drawn(stations, 120, 40))
    assert "run ended · The target of 94 % is reached" in found
    assert "plan is covered" not in found
