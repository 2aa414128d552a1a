"""The board: the same digits as every other output, what matters first, never too many lines."""

from __future__ import annotations

import io
import json
import math
import time
from datetime import datetime
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from rich.text import Text

from daemon.board.test_stations import gap, line_message, put, state
from daemon.messages.test_messages import AT, OF, alarm, check, progress, tally
from swathe.board import (
    KEYS,
    Board,
    Panel,
    PlainLines,
    Question,
    Reply,
    Stations,
    StationView,
    one_line,
)
from swathe.board.key_table import key_line
from swathe.board.texts import alarm_text, port_text
from swathe.keys import Pasted
from swathe.live.mirror import Mirror
from swathe.messages import (
    AlarmMessage,
    CheckMessage,
    PortMessage,
    ProgressMessage,
    Topics,
)
from swathe.pipeline import DelayEstimate, Pipeline, ProgressSnapshot
from swathe.pipeline.progress.fields import number_text, percent_of
from swathe.report import summary_line
from swathe.station import AlarmKind, parse_station
from swathe.store import SurveyRecord, record_of

GUIDE = Path(__file__).parents[3] / "daemon" / "guide"
STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "gauge"
[index]
length = "3 mm"
resolution = "1 mm"
device = "gauge"
[device.gauge]
port = "socket://gauge:1"
protocol.columns = [
  { is = "position", axis = "scan", unit = "mm" },
  { is = "position", axis = "index", unit = "mm" },
  { is = "thickness", unit = "mm" },
]
"""
RECORD = record_of(Pipeline(parse_station(STATION, "x")))


class PlainPanel(Panel):
    """A panel of a head and as many lines more as a run has."""

    can_acknowledge = True
    keys: tuple[str, ...] = ("space",)

    def __init__(self) -> None:
        self.acknowledged: list[int] = []

    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:
        """Return a line."""
        del views, now, wall
        return Text("swathe test")

    def next_lines(self, width: int) -> list[str]:  # noqa: ARG002
        """Return what is next."""
        return ["next: line 7, from 158 mm, 36 mm missing; go slower"]

    def health_lines(self) -> list[Text]:
        """Return broker and page."""
        return [one_line("page: http://127.0.0.1:8080 · broker connected")]

    def foot_lines(self) -> list[str]:
        """Return a caution of two lines."""
        return ["It is no emergency stop. " * 6]

    def press(self, key: str) -> Reply | None:
        """Answer to the space bar, and ask at t."""
        if key == "t":
            return Question(label="note:", accept=lambda text: f"noted {text}")
        return "paused" if key == " " else None

    def acknowledge(self, view: StationView) -> str:
        """Note the alarms."""
        self.acknowledged += [one.number for one in view.new_alarms]
        return "seen"


def drawn(stations: Stations, *, width: int = 80, height: int = 24) -> list[str]:
    """Return the lines of a board."""
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=True, color_system=None)
    console.print(Board(console, stations, PlainPanel(), ring=lambda: None).render())
    return out.getvalue().rstrip("\n").split("\n")


def snapshots() -> st.SearchStrategy[ProgressSnapshot]:
    """Return progress of any figures."""
    lengths = st.floats(-5e4, 5e4)
    counts = st.integers(1, 10**7)

    @st.composite
    def one(draw: st.DrawFn) -> ProgressSnapshot:
        required = draw(counts)
        measured = draw(st.integers(0, required))
        return progress(
            required=required,
            measured=measured,
            percent=percent_of(measured, required),
            scan=draw(lengths),
            index=draw(lengths),
            speed=draw(st.floats(0, 5000)),
            speed_limit=draw(st.none() | st.floats(0.1, 5000)),
            rate=draw(st.floats(0, 1e6)),
            minimum=draw(st.floats(0.01, 400)),
            minimum_scan=draw(lengths),
            minimum_index=draw(lengths),
            minimum_expanded=draw(st.none() | st.floats(0.0001, 3)),
            slipped_at=draw(st.none() | lengths),
        )

    return one()


def place(position: float | None) -> str:
    """Return a position with two decimals; what rounds to zero has no sign."""
    assert position is not None
    return f"{round(position, 2) + 0.0:,.2f}"


@given(snapshots())
def test_every_output_shows_the_same_digits(snapshot: ProgressSnapshot) -> None:
    """Board, plain lines, page, MQTT, record and report write each figure of a snapshot alike."""
    message = ProgressMessage.of(snapshot, OF)
    # MQTT and page send the bytes of the mirror; watch reads them, a run takes the message itself.
    mirror = Mirror()
    mirror.put(Topics("bench").progress, message)
    payload = mirror.newest[Topics("bench").progress]
    fields = json.loads(payload)
    record = SurveyRecord.model_validate_json(
        RECORD.model_copy(update={"progress": message}).model_dump_json(by_alias=True)
    )
    for name in ("percent", "scan", "index", "speed", "speed_limit", "rate", "minimum",
                 "minimum_scan", "minimum_index", "minimum_expanded", "slipped_at"):  # fmt: skip
        assert fields[name] == getattr(snapshot, name) == getattr(record.progress, name), name
    watched, run = Stations(), Stations()
    for stations in (watched, run):
        put(stations, "state", state())
    watched.take(Topics("bench").progress, payload, retained=False, now=time.monotonic())
    run.put(
        Topics("bench").progress, mirror.messages[Topics("bench").progress], now=time.monotonic()
    )
    plain: list[str] = []
    PlainLines(run, plain.append).refresh()
    boards = [
        # Words wrapped at the end of a line are joined again.
        " ".join(" ".join(drawn(stations, width=300, height=40)).split())
        for stations in (watched, run)
    ]
    minimum = f"minimum {snapshot.minimum:,.3f}"
    minimum += " mm"
    coverage = f"{snapshot.percent:,.2f} %"
    figures = [
        coverage,
        f"at {place(snapshot.scan)} / {place(snapshot.index)} mm",
        f"{snapshot.rate:,.1f} readings/s",
        f"{minimum} at {place(snapshot.minimum_scan)} / {place(snapshot.minimum_index)}",
        f"{snapshot.speed:,.1f}",
    ]
    if snapshot.slipped_at is not None:
        figures.append(f"SLIPPED at {snapshot.slipped_at:,.1f} mm")
    for figure in figures:
        assert figure in boards[0]
        assert figure in boards[1]
        assert any(figure in line for line in plain), (figure, plain)
    report = summary_line(record)
    assert report.startswith(coverage)
    assert minimum in report


def full(stations: Stations) -> None:
    """Put a station with more of everything than a small terminal has lines for."""
    arrive = partial(put, stations, now=time.monotonic())
    arrive("state", state(state="paused", reason="by A. Kern"))
    arrive("progress", ProgressMessage.of(progress(), OF))
    for number in range(4):
        arrive(f"line/{number}", line_message(number))
    for number in range(1, 30):
        at = {"scan": (number - 1.5, number - 0.5), "index": (number % 4 - 0.5, number % 4 + 0.5)}
        arrive(f"gap/{number}", gap(number=number, area=1.0, **at))
        message = AlarmMessage.of_alarm(alarm(number=number), OF)
        arrive(f"alarm/{number}", message)
    arrive("check/2", CheckMessage.of_check(check(), OF))
    for device in ("encoder", "gauge"):
        arrive(f"port/{device}", PortMessage.of_tally(device, tally(), OF, stalls=1))


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (100, 30), (200, 60)])
@pytest.mark.parametrize("busy", [True, False])
def test_board_fills_the_terminal_and_no_more(width: int, height: int, *, busy: bool) -> None:
    """Whatever there is to show, the board has the lines of the terminal: it never scrolls."""
    stations = Stations()
    put(stations, "state", state())
    put(stations, "progress", ProgressMessage.of(progress(), OF))
    if busy:
        full(stations)
    lines = drawn(stations, width=width, height=height)
    assert len(lines) == height
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert "25.00 % · 2 gaps" in text
    assert "next: line 7, from 158 mm" in text
    assert "no emergency stop" in text
    assert lines[-1] == "space pause · a acknowledge · b bell · ? all keys · q quit"
    if busy:
        assert "PAUSED: readings belong to no cell · by A. Kern" in text
        assert "! #29 coupling lost at 12.3 / 3.0 mm" in text
        assert "away mm" in text
        assert "calibration check 2 FAILED" in text
        assert "▪" in text


def test_keys_and_bell() -> None:
    """The panel's keys come first; new alarms ring once, and are acknowledged at 'a'."""
    stations, panel, rung = Stations(), PlainPanel(), []
    full(stations)
    console = Console(file=io.StringIO(), width=80, height=24)
    board = Board(console, stations, panel, ring=lambda: rung.append(1))
    board.ring_for_new()
    board.ring_for_new()
    assert len(rung) == 1
    board.render()
    board.press("A")
    assert panel.acknowledged == list(range(29, 0, -1))
    board.press("b")
    assert board.muted
    put(stations, "alarm/30", AlarmMessage.of_alarm(alarm(number=30), OF))
    board.ring_for_new()
    assert len(rung) == 1
    board.press("b")
    board.ring_for_new()
    assert len(rung) == 1
    board.press(" ")
    with console.capture() as capture:
        console.print(board.render())
    assert "\npaused" in capture.get()


@pytest.mark.parametrize("width", [60, 80, 200])
@pytest.mark.parametrize("part", ["", "Penstock 3, belt below the expansion joint, upstream half"])
def test_bell_that_is_muted_is_always_shown(width: int, part: str) -> None:
    """Whatever the name of the part and the address of the broker take of the first line."""
    stations = Stations()
    put(stations, "state", state(part=part))
    console = Console(file=io.StringIO(), width=width, height=24)
    board = Board(console, stations, PlainPanel(), ring=lambda: None)
    assert "bell muted" not in "\n".join(screen(console, board))
    board.press("b")
    lines = screen(console, board)
    assert len(lines[0]) <= width
    assert "bell muted" in lines[0]


def screen(console: Console, board: Board) -> list[str]:
    """Return the lines of a board."""
    with console.capture() as capture:
        console.print(board.render())
    return capture.get().rstrip("\n").split("\n")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (200, 60)])
def test_keys_are_text_while_a_line_is_asked_for(width: int, height: int) -> None:
    """The board stays; b does not mute and q does not quit; then keys are keys again."""
    stations = Stations()
    full(stations)
    console = Console(file=io.StringIO(), width=width, height=height)
    board = Board(console, stations, PlainPanel(), ring=lambda: None)
    board.press("T")
    for key in "bq?":
        board.press(key)
    lines = screen(console, board)
    assert len(lines) == height
    assert lines[-3:] == ["note:", "> bq? ", "Enter accepts · Esc cancels"]
    assert any("PAUSED" in line for line in lines)
    assert not board.muted
    board.press("enter")
    assert "noted bq?" in screen(console, board)
    board.press(Pasted("b"))
    assert not board.muted
    board.press("b")
    assert board.muted


def test_an_answer_gives_its_place_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """It stays for a minute, or until the next one."""
    stations = Stations()
    full(stations)
    console = Console(file=io.StringIO(), width=80, height=24)
    board = Board(console, stations, PlainPanel(), ring=lambda: None)
    before = screen(console, board)
    board.press(" ")
    began = time.monotonic()
    monkeypatch.setattr(time, "monotonic", lambda: began + 59.0)
    assert "paused" in screen(console, board)
    monkeypatch.setattr(time, "monotonic", lambda: began + 61.0)
    assert "paused" not in screen(console, board)
    assert len(screen(console, board)) == len(before)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 30), (200, 60)])
def test_all_keys_are_listed_at_a_question_mark(width: int, height: int) -> None:
    """What is wrong and how far it is stay on the board; Esc closes the list, other keys act."""
    stations = Stations()
    full(stations)
    console = Console(file=io.StringIO(), width=width, height=height)
    panel = PlainPanel()
    panel.keys = tuple(key.key for key in KEYS)
    board = Board(console, stations, panel, ring=lambda: None)
    before = screen(console, board)
    board.press("?")
    lines = screen(console, board)
    assert len(lines) == height
    for key in KEYS:
        text = f"  {key.key:<6}  {key.full.replace('`', '')}"
        assert text in lines, key
    assert any("PAUSED" in line for line in lines)
    assert any("25.00 %" in line for line in lines)
    board.press("escape")
    assert screen(console, board) == before
    board.press("?")
    board.press("B")
    assert board.muted
    assert len(screen(console, board)) == height
    assert not any("in either case" in line for line in screen(console, board))


def test_keys_of_the_guide_are_those_of_the_board() -> None:
    """The table has each key of the board with the text that the board shows, and no other."""
    text = (GUIDE / "terminal.md").read_text("utf-8").partition("## Keys")[2].partition("##")[0]
    rows = [
        tuple(part.strip() for part in line.strip("|").split("|")[:2])
        for line in text.splitlines()
        if line.startswith("| `")
    ]
    assert rows == [(f"`{key.key}`", key.full) for key in KEYS]


@pytest.mark.parametrize("width", [40, 60, 80, 100, 200])
def test_last_line_has_the_keys_that_fit(width: int) -> None:
    """All keys and quitting are always there, and no key is cut."""
    line = key_line([key.key for key in KEYS], width).plain
    assert len(line) <= width
    shown = line.split(" · ")
    assert shown[-2:] == ["? all keys", "q quit"]
    assert set(shown) <= {f"{key.key} {key.short}" for key in KEYS}


def test_plain_lines_print_changes_once() -> None:
    """Each change is a line; what had ended before the first look is none."""
    stations = Stations()
    said: list[str] = []
    put(stations, "state", state(), now=time.monotonic())
    put(
        stations,
        "gap/1",
        gap(number=1, status="closed", closed=AT + 1, end="measured"),
        now=time.monotonic(),
    )
    put(stations, "gap/2", gap(number=2), now=time.monotonic())
    lines = PlainLines(stations, said.append)
    lines.refresh()
    lines.refresh()
    assert said == [
        "bench: scanning",
        "bench: gap 2 open: too fast, of 6 cells 1 no signal, scan 9.5…15.5 mm, index "
        "-0.5…0.5 mm, 6 cells",
    ]
    put(
        stations,
        "gap/2",
        gap(number=2, status="closed", closed=AT + 1, end="merged", merged_into=3),
        now=time.monotonic(),
    )
    put(stations, "alarm/4", AlarmMessage.of_alarm(alarm(), OF), now=time.monotonic())
    lines.refresh()
    put(stations, "alarm/4", AlarmMessage.of_alarm(alarm(until=AT + 9), OF), now=time.monotonic())
    lines.refresh()
    assert said[2] == "bench: gap 2 closed: merged into gap 3"
    assert said[3].startswith("bench: ALARM #4 coupling lost at 12.3 / 3.0 mm: no echo (since ")
    assert said[4:] == ["bench: alarm #4 coupling lost is over"]


@pytest.mark.parametrize(("profile", "place"), [(False, "41.25 / 7.50 mm"), (True, "41.25 mm")])
def test_a_thin_place_is_where_the_minimum_is(profile: bool, place: str) -> None:
    """Not in the middle of the area, which may be sound."""
    found = alarm(
        kind=AlarmKind.THIN,
        detail="7.25 mm, below 8 mm",
        scan=(0.0, 200.0),
        index=(0.0, 15.0),
        minimum_scan=41.251,
        minimum_index=7.5,
    )
    plan = state().plan
    assert plan is not None
    plan = plan.model_copy(update={"profile": profile})
    text = alarm_text(AlarmMessage.of_alarm(found, OF), plan)
    assert f"below alert at {place}: 7.25 mm, below 8 mm" in text


def test_number_text_needs_digits() -> None:
    """A count has no decimals to write it with: it is written as it is, not through its digits."""
    with pytest.raises(TypeError, match="'measured' must be annotated with its digits"):
        number_text(progress(), "measured")
    assert number_text(progress(scan=None), "scan") == "–"


@pytest.mark.parametrize(
    ("low", "high", "sure", "text"),
    [
        (
            -2.0,
            16.0,
            False,
            ", delay -2.00 to +16.00 ms from the one in force measured, not sure yet",
        ),
        (6.5, 7.5, True, ", delay +6.50 to +7.50 ms from the one in force measured"),
        (-math.inf, math.inf, False, ""),
        (-math.inf, 16.0, False, ""),
    ],
)
def test_port_has_the_interval_of_the_delay_also_when_unsure(
    low: float, high: float, sure: bool, text: str
) -> None:
    """An unbounded interval has nothing to show; short lines leave it out."""
    estimate = DelayEstimate(7e6, 1e6, low * 1e6, high * 1e6, 3, sure=sure, reason="", needs="")
    port = PortMessage.of_tally("gauge", tally(), OF, stalls=0, delay=estimate)
    without = PortMessage.of_tally("gauge", tally(), OF, stalls=0)
    assert port_text(port, long=True) == port_text(without, long=True) + text
    assert port_text(port) == port_text(without)
