"""The board of a run on a real pseudo-terminal, in a shell with job control."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from support.daemon import station_text
from support.shell import ShellTerminal
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
ALTERNATE, ORDINARY = b"\x1b[?1049h", b"\x1b[?1049l"
NO_CURSOR, CURSOR = b"\x1b[?25l", b"\x1b[?25h"
PASTES, NO_PASTES = b"\x1b[?2004h", b"\x1b[?2004l"


def begin(terminal: ShellTerminal, tmp_path: Path, ports: Path) -> None:
    """Start a run with a stepped index axis in the shell, and wait for its board."""
    station = tmp_path / "station.toml"
    station.write_text(
        station_text("lines", ports, index_length=20, index_step=2, advance="command")
    )
    terminal.type(f"{sys.executable} -m swathe run {station}\n")
    terminal.wait_for("all keys")


def record_of(tmp_path: Path) -> dict[str, object]:
    """Return the record of the survey."""
    found: dict[str, object] = json.loads((tmp_path / "survey" / "survey.json").read_text())
    return found


def end(terminal: ShellTerminal) -> str:
    """End the run by two q; return what the shell shows then."""
    terminal.type("q")
    terminal.wait_for("q again ends the run")
    terminal.type("Q")
    terminal.wait_for("survey: ")
    return terminal.wait_for("prompt> ")


def test_keys_in_either_case_and_questions(serve: Serve, tmp_path: Path, ports: Path) -> None:
    """Steps, a pause, notes with a name that is asked once, a line; one q alone does not end it."""
    serve("lines", speed=1)
    with ShellTerminal() as terminal:
        begin(terminal, tmp_path, ports)
        assert not terminal.has_lines
        terminal.type("N")
        terminal.wait_for("line 1 at 2 mm")
        terminal.type("P")
        terminal.wait_for("line 0 at 0 mm")
        terminal.type("l")
        terminal.wait_for("go to line (0 to 10):")
        terminal.type("11\n")
        terminal.wait_for("must be a number from 0 to 10 (got '11')")
        terminal.type("\x157\n")
        terminal.wait_for("line 7 at 14 mm")
        terminal.type("T")
        terminal.wait_for("your name")
        terminal.type("A. Kärn\x7f\x7f\x7fern\n")
        terminal.wait_for("note for the survey:")
        terminal.type("\x1b[200~qq bn\n\x1b[201~ here\n")
        terminal.wait_for("noted")
        terminal.type("t")
        terminal.wait_for("note for the survey:")
        terminal.type("never\x1b")
        terminal.wait_for("nothing is changed")
        terminal.type("\x1b[200~qq\n\x1b[201~")
        terminal.wait_for("a text was pasted, but nothing is asked for")
        terminal.type("q")
        terminal.wait_for("q again ends the run; any other key continues")
        terminal.type("x")
        terminal.wait_for("the run continues")
        terminal.type("?")
        terminal.wait_for("put a note into the survey")
        terminal.type(" ")
        terminal.wait_for("PAUSED: readings belong to no cell")
        end(terminal)
        assert terminal.has_lines
        terminal.type("echo $?\n")
        terminal.wait_for("\n3\n")
    notes = record_of(tmp_path)["notes"]
    assert isinstance(notes, list)
    assert [note["text"] for note in notes] == ["qq bn here"]


def test_ctrl_z_and_fg_leave_the_terminal_right(serve: Serve, tmp_path: Path, ports: Path) -> None:
    """Stopped: lines with echo, the ordinary screen, a cursor. Continued: the board and its keys."""
    serve("lines", speed=1)
    with ShellTerminal() as terminal:
        begin(terminal, tmp_path, ports)
        for _ in range(2):
            terminal.type("\x1a")
            terminal.wait_for("prompt> ")
            raw = terminal.raw
            assert terminal.has_lines
            assert raw.rfind(ORDINARY) > raw.rfind(ALTERNATE)
            assert raw.rfind(CURSOR) > raw.rfind(NO_CURSOR)
            assert raw.rfind(NO_PASTES) > raw.rfind(PASTES)
            assert "stopped: no port is read before 'fg'" in terminal.seen
            terminal.type("sleep 1; echo it is $((6*7))\n")
            terminal.wait_for("it is 42")
            terminal.type("fg\n")
            terminal.wait_for("the run stood still for")
            terminal.wait(lambda: not terminal.has_lines, "keys one by one")
            raw = terminal.raw
            assert raw.rfind(ALTERNATE) > raw.rfind(ORDINARY)
            assert raw.rfind(NO_CURSOR) > raw.rfind(CURSOR)
            assert raw.rfind(PASTES) > raw.rfind(NO_PASTES)
            terminal.type("N")
            terminal.wait_for("line ")
        end(terminal)
        assert terminal.has_lines
    record = record_of(tmp_path)
    notes = record["notes"]
    assert isinstance(notes, list)
    assert len(notes) == 2
    assert all(note["text"].startswith("stopped by Ctrl-Z, and continued") for note in notes)
    alarms = record["alarms"]
    assert isinstance(alarms, list)
    assert "standstill" in {alarm["kind"] for alarm in alarms}


def test_in_the_background_a_run_goes_on_without_a_board(
    serve: Serve, tmp_path: Path, ports: Path
) -> None:
    """After `bg` the shell has the terminal and the run acquires; `fg` brings the board back."""
    serve("lines", speed=1)
    with ShellTerminal() as terminal:
        begin(terminal, tmp_path, ports)
        terminal.type("\x1a")
        terminal.wait_for("prompt> ")
        terminal.type("bg\n")
        terminal.wait_for("prompt> ")
        journal = tmp_path / "survey" / "journal"

        def size() -> int:
            return sum(path.stat().st_size for path in journal.iterdir())

        before = size()
        terminal.wait(lambda: size() > before + 1000, "a journal that grows")
        assert terminal.has_lines
        assert ALTERNATE not in terminal.raw
        terminal.type("jobs\n")
        terminal.wait_for("Running")
        terminal.type("fg\n")
        terminal.wait_for("all keys")
        terminal.wait(lambda: not terminal.has_lines, "keys one by one")
        end(terminal)


def test_board_after_a_stop_that_nobody_can_catch(
    serve: Serve, tmp_path: Path, ports: Path
) -> None:
    """SIGSTOP leaves the terminal as it is; after `fg` the board is drawn whole once more."""
    serve("lines", speed=1)
    with ShellTerminal() as terminal:
        begin(terminal, tmp_path, ports)
        terminal.signal_job("SIGSTOP")
        terminal.wait_for("prompt> ")
        terminal.type("stty sane\n")
        terminal.wait(lambda: terminal.has_lines, "lines")
        terminal.type("fg\n")
        terminal.wait_for("all keys")
        terminal.wait(lambda: not terminal.has_lines, "keys one by one")
        # A board that was due is drawn before the loop has the signal that the run continues.
        terminal.wait(lambda: ALTERNATE in terminal.raw, "the screen of the board")
        end(terminal)
