"""The keys of a run: what each asks, which command it gives, and in whose name."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from daemon.handmade import station_text
from daemon.messages.test_messages import OF, REVISION
from support.crawl import crawl_station
from swathe.board import Board, KeyQuestion, Stations
from swathe.board.prompt import Prompt, answer_text
from swathe.journal import Mark, MarkKind, read_journal
from swathe.live.origin import Origin
from swathe.live.run_panel import RunPanel, next_step
from swathe.live.service import Daemon
from swathe.live.shown_state import facts_of
from swathe.messages import CommandMessage, ReplyMessage, RevisionsMessage, Topics
from swathe.pipeline.lifts import Doubt, Lift
from swathe.station import parse_station
from swathe.store import SurveyFolder

STEPPED = '[index]\nlength = "5 mm"\nresolution = "1 mm"\nmode = "stepped"\n'
MARKS = '[[mark]]\nname = "weld 12"\nscan = "4 mm"\n[[mark]]\nname = "Datum"\nscan = "0 mm"\n'


class Keyboard:
    """Types at the board of a run that has no ports, and sees the commands."""

    def __init__(self, daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
        self.daemon = daemon
        self.commands: list[dict[str, Any]] = []
        self.stopped: list[str] = []
        execute = daemon.commands.execute

        def watch(command: CommandMessage, origin: Origin) -> ReplyMessage:
            given = command.model_dump(mode="json", by_alias=True, exclude_defaults=True)
            given.pop("id")
            self.commands.append(given)
            return execute(command, origin)

        monkeypatch.setattr(daemon.commands, "execute", watch)
        monkeypatch.setattr(daemon, "stop", self.stopped.append)
        console = Console(file=io.StringIO(), width=200, height=60)
        self.panel = RunPanel(daemon)
        self.board = Board(console, Stations(), self.panel, ring=lambda: None)

    def type(self, *parts: str) -> str:
        """Type texts and named keys; return what is asked or answered then."""
        for part in parts:
            named = part in ("enter", "tab", "escape", "clear")
            for key in [part] if named else part:
                self.board.press(key)
        prompt: Prompt | None = self.board._prompt
        if prompt is None:
            return answer_text(self.board._answer)
        return " | ".join(filter(None, (prompt.question.label, prompt.problem)))

    def marks(self, kind: MarkKind) -> list[dict[str, Any]]:
        """Return the details of the marks of a kind in the journal."""
        self.daemon._session.flush(sync=False)
        return [
            dict(entry.detail)
            for entry in read_journal(self.daemon.folder.journal)
            if isinstance(entry, Mark) and entry.kind is kind
        ]


@pytest.fixture
def keyboard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Keyboard]:
    """Return a keyboard at a run with a stepped index axis and two marks."""
    text = station_text(index=STEPPED) + MARKS
    daemon = Daemon(parse_station(text, "x"), text, SurveyFolder(tmp_path / "survey"))
    with daemon._session as session:
        session.resume()
        yield Keyboard(daemon, monkeypatch)


def test_name_is_asked_once_and_for_what_is_recorded_with_one(keyboard: Keyboard) -> None:
    """A pause and a line do not wait for it; an empty name is refused."""
    assert keyboard.type(" ").startswith("paused")
    assert keyboard.type(" ") == "resumed"
    assert keyboard.type("n") == "line 1 at 1 mm"
    assert keyboard.type("t") == "your name, recorded with what you do in this run:"
    assert keyboard.type("enter").endswith("a name of 1 to 80 characters is needed")
    assert keyboard.type("x" * 81, "enter").endswith("a name of 1 to 80 characters is needed")
    assert keyboard.type("clear", "A. Kern", "enter") == "note for the survey:"
    assert keyboard.type("enter").endswith("a note needs a text")
    assert keyboard.type("rust", "enter") == "noted; not on the disk yet"
    assert keyboard.type("t") == "note for the survey:"
    assert keyboard.type("escape") == "nothing is changed"
    assert keyboard.type("P") == "line 0 at 0 mm"
    assert [mark["by"] for mark in keyboard.marks(MarkKind.NOTE)] == ["A. Kern"]
    by = [mark["by"] for mark in keyboard.marks(MarkKind.LINE)]
    assert by == ["somebody at the terminal", "A. Kern"]


@pytest.mark.parametrize(
    ("typed", "command"),
    [
        (["0", "enter"], {"scan": 0.0}),
        (["2 in", "enter"], {"scan": 50.8}),
        (["-3.5 mm", "enter"], {"scan": -3.5}),
        (["WELD 12", "enter"], {"mark": "weld 12"}),
        (["d", "tab", "enter"], {"mark": "Datum"}),
    ],
)
def test_where_the_probe_rests(
    keyboard: Keyboard, typed: list[str], command: dict[str, Any]
) -> None:
    """Zero, a length in any unit, or a mark of the station file by its name."""
    keyboard.type("I", "A. Kern", "enter", *typed)
    assert keyboard.commands == [{"command": "reference", "by": "A. Kern", **command}]


def test_readings_since_a_lift_are_discarded_with_the_times_of_their_doubt(
    keyboard: Keyboard,
) -> None:
    """After the place was given: from the last echo before the lift to the reference."""
    assert "since a lift" not in keyboard.type("u", "A. Kern", "enter")
    keyboard.type("escape")
    lift = Lift(10**18, 10**18 + 10**9, (3.0, 0.0), (3.0, 0.0))
    keyboard.daemon.pipeline.lifts.doubt = Doubt(lift, 10**18 + 5 * 10**9)
    asked = keyboard.type("u")
    number = asked.partition(" since a lift, before its place")[0].split()[-1]
    asked = keyboard.type(number, "enter")
    assert asked.startswith("discard what was read in 5.0 s, since ")
    keyboard.type("lifted", "enter", "y")
    stretch = keyboard.commands[-1]["stretch"]
    assert stretch["begin"] == "2001-09-09T01:46:40.000001+00:00"
    assert stretch["end"] == "2001-09-09T01:46:45+00:00"


def test_where_the_probe_rests_is_a_length_or_a_name(keyboard: Keyboard) -> None:
    """What is neither is refused with what is known, and nothing is sent; a number is in mm."""
    shown = keyboard.type("i", "A. Kern", "enter", "weld 13", "enter")
    assert "must be weld 12, Datum; or it must be a number, in mm, or a length with its" in shown
    assert keyboard.commands == []
    keyboard.type("clear", "12", "enter")
    assert keyboard.commands[-1]["scan"] == 12.0


def test_index_is_asked_for_where_it_has_an_encoder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Enter alone leaves it as it is."""
    text = crawl_station(tmp_path).replace("[scan]", 'operator = "A. Kern"\n[scan]', 1)
    daemon = Daemon(parse_station(text, "x"), text, SurveyFolder(tmp_path / "survey"))
    with daemon._session as session:
        session.resume()
        keyboard = Keyboard(daemon, monkeypatch)
        assert keyboard.type("i", "0", "enter").startswith("scan 0 mm, and on the index axis")
        keyboard.type("enter")
        keyboard.type("i", "1 m", "enter", "8", "enter")
    head = {"command": "reference", "by": "A. Kern"}
    assert keyboard.commands == [{**head, "scan": 0.0}, {**head, "scan": 1000.0, "index": 8.0}]


@pytest.mark.parametrize(
    ("typed", "command", "shown"),
    [
        (
            ["2", "enter"],
            {"command": "discard", "stretch": {"line": 1}},
            "discard line 1 so far: at most 0 readings in 0 cells",
        ),
        (
            ["3", "enter", "clear", "4", "enter"],
            {"command": "discard", "stretch": {"line": 4}},
            "discard line 4 so far",
        ),
        (
            ["4", "enter", "enter", "5 mm", "enter", "1 mm", "enter"],
            {"command": "discard", "stretch": {"line": 1, "scan": {"from": 1.0, "to": 5.0}}},
            "discard line 1, 1 to 5 mm",
        ),
        (
            ["5", "enter", "f", "tab", "enter", "last", "enter"],
            {"command": "discard", "stretch": {"begin": "first", "end": "last"}},
            "discard what was read from 'first' to 'last'",
        ),
        (
            ["6", "enter", "enter", "enter", "1", "enter", "clear", "2", "enter"],
            {"command": "move", "stretch": {"line": 1}, "line": 2},
            "move what was read as line 1 so far to line 2: at most 0 readings in 0 cells",
        ),
        (
            ["7", "enter", "1", "enter", "clear", "3", "enter"],
            {"command": "restore", "revision": 3},
            "take back move 3 of A. Kern (wrong line)",
        ),
    ],
)
def test_undoing_step_by_step(
    keyboard: Keyboard, typed: list[str], command: dict[str, Any], shown: str
) -> None:
    """What, why, and only with y; the command has all that was typed."""
    revisions = [
        REVISION.model_copy(update={"number": 1, "restored_by": "A. Kern"}),
        REVISION.model_copy(update={"number": 3, "kind": "move"}),
    ]
    message = RevisionsMessage.of_revisions(revisions, OF)
    keyboard.daemon.mirror.put(Topics(keyboard.daemon.station.name).revisions, message)
    for note in ("first", "last"):
        keyboard.daemon.commands.note(note, "A. Kern")
    keyboard.type("n")
    asked = keyboard.type("u", "A. Kern", "enter")
    assert asked.startswith("undo: 1 the last seconds · 2 this line · 3 another line · ")
    assert shown in keyboard.type(*typed)
    assert "a reason is needed" in keyboard.type("enter")
    assert f"{shown}" in keyboard.type("slipped", "enter")
    assert keyboard.type("n") == "nothing is changed"
    assert keyboard.commands == []
    keyboard.type("U", *typed, "slipped", "enter", "Y")
    assert keyboard.commands == [{"by": "A. Kern", "text": "slipped", **command}]


def test_seconds_are_counted_from_the_key(keyboard: Keyboard) -> None:
    """Typing the answers takes time that is not part of the stretch."""
    keyboard.type("u")
    pressed = datetime.now(UTC)
    keyboard.type("A. Kern", "enter", "1", "enter", "9", "enter", "slipped", "enter", "y")
    first = CommandMessage.model_validate({**keyboard.commands.pop(), "id": "a"}).stretch
    assert first is not None
    assert first.end is not None
    assert datetime.fromisoformat(first.end) <= pressed
    assert "1 the last seconds" in keyboard.type("u")
    for wrong in ("", "-3", "0", "nan", "x", "1e99"):
        shown = keyboard.type("1", "enter", wrong, "enter")
        assert "must be a number of seconds > 0, such as 20" in shown, wrong
        keyboard.type("escape", "u")
    keyboard.type("1", "enter", "2,5 s", "enter", "slipped", "enter", "y")
    (command,) = keyboard.commands
    stretch = CommandMessage.model_validate({**command, "id": "a"}).stretch
    assert stretch is not None
    assert stretch.begin is not None
    assert stretch.end is not None
    begin, end = map(datetime.fromisoformat, (stretch.begin, stretch.end))
    assert end - begin == timedelta(seconds=2.5)
    assert stretch.last is None


def test_nothing_to_restore_and_no_note_are_answers(keyboard: Keyboard) -> None:
    """There is nothing to choose from, and that is said at once."""
    assert keyboard.type("u", "A. Kern", "enter", "7", "enter").startswith("nothing is discarded")
    assert keyboard.type("u", "5", "enter") == "there is no note in this survey: t takes one"
    assert "must be a number from 1 to 7" in keyboard.type("u", "8", "enter")


def test_one_q_alone_does_not_stop_the_run(keyboard: Keyboard) -> None:
    """The second does; any other key is not taken for what it means elsewhere."""
    assert "q again ends the run" in keyboard.type("q")
    assert keyboard.type("n") == "the run continues"
    assert (keyboard.stopped, keyboard.daemon.pipeline.line) == ([], 0)
    assert keyboard.type("Q", "Q") == "stopping"
    assert keyboard.stopped == ["stopped by the user"]


def test_q_stops_a_crawler_that_moves_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody has to press it twice while a machine is under way; Ctrl-Z is refused."""
    text = crawl_station(tmp_path)
    settings = parse_station(text, "x")
    daemon = Daemon(settings, text, SurveyFolder(tmp_path / "survey"), armed=True)
    keyboard = Keyboard(daemon, monkeypatch)
    assert daemon.crawl is not None
    assert keyboard.panel.may_not_stop().startswith("Ctrl-Z is refused")
    assert isinstance(keyboard.panel.press("q"), KeyQuestion)
    monkeypatch.setattr(type(daemon.crawl.machine), "may_move", True)
    assert keyboard.type("q") == "stopping"
    assert keyboard.stopped == ["stopped by the user"]


def test_crawler_is_shown_with_its_line_and_with_what_it_does_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As `watch` and page have it; why it was stopped is over once it continues, in the state too."""
    text = crawl_station(tmp_path)
    settings = parse_station(text, "x")
    daemon = Daemon(settings, text, SurveyFolder(tmp_path / "survey"), armed=True)
    Keyboard(daemon, monkeypatch)
    crawl = daemon.crawl
    assert crawl is not None
    crawl.words, crawl.raster.line = "raster: 5 of 6 lines", (2, 6)
    assert next_step(daemon) == "crawler disarmed, line 2 of 6: raster: 5 of 6 lines"
    crawl.words = crawl._recovery.why = "stopped: motor and encoder disagree"
    crawl.raster.line = None
    assert next_step(daemon) == "crawler disarmed: continuing"
    with daemon._session as session:
        session.resume()
        assert facts_of(daemon).doing == "continuing"


def test_continuing_after_ctrl_z_is_noted(keyboard: Keyboard) -> None:
    """The survey keeps for how long nothing was read."""
    assert keyboard.panel.may_not_stop() == ""
    assert keyboard.panel.on_continued(12.34).startswith("the run stood still for 12.3 s")
    (note,) = keyboard.marks(MarkKind.NOTE)
    assert note["text"] == "stopped by Ctrl-Z, and continued after 12.3 s"


def test_a_stretch_that_is_none_is_refused_where_it_is_typed(keyboard: Keyboard) -> None:
    """Outside the plan, or between notes that are not unique: before anybody types a reason."""
    keyboard.daemon.commands.note("same", "A. Kern")
    keyboard.daemon.commands.note("same", "A. Kern")
    shown = keyboard.type(
        "u", "A. Kern", "enter", "4", "enter", "enter", "2 m", "enter", "3 m", "enter"
    )
    assert shown.startswith("from 2000 mm to where")
    assert "outside the plan, which runs from " in shown
    keyboard.type("escape")
    shown = keyboard.type("u", "5", "enter", "s", "tab", "enter", "enter")
    assert shown.startswith("to which note?")
    assert "2 notes are 'same'" in shown
    assert keyboard.commands == []


def test_a_blocked_line_is_ended_by_name(keyboard: Keyboard) -> None:
    """The rest of it is given up, and the next one begins."""
    assert keyboard.type("X", "A. Kern", "enter") == "line 1 at 1 mm"
    assert keyboard.commands == [{"command": "line blocked", "by": "A. Kern"}]
    assert keyboard.daemon.pipeline.line == 1
