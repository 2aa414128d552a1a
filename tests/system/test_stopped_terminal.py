"""A terminal that takes no output, by Ctrl-S: run, set-up and watch continue, and end."""

from __future__ import annotations

import sys
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from support.daemon import station_text, wait_for
from support.shell import ShellTerminal
from swathe.journal import Chunk, read_journal
from swathe_simulators import World

pytestmark = pytest.mark.slow

Serve = Callable[..., World]
CTRL_S = "\x13"
ALTERNATE, ORDINARY = b"\x1b[?1049h", b"\x1b[?1049l"
CURSOR, NO_CURSOR = b"\x1b[?25h", b"\x1b[?25l"


def answers(url: str) -> bool:
    """Return whether a page answers, with whatever status."""
    try:
        with urllib.request.urlopen(url, timeout=20):  # noqa: S310  the daemon's own
            return True
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False


def stop_output(terminal: ShellTerminal) -> None:
    """Stop the terminal's output, and wait until nothing comes any more."""
    terminal.type(CTRL_S)
    quiet = 0
    while quiet < 20:  # of a board that is drawn four times a second
        before = len(terminal.raw)
        terminal.wait(lambda: True, "")
        terminal._read(0.05)
        quiet = quiet + 1 if len(terminal.raw) == before else 0


def test_run_continues_and_ends_on_a_terminal_that_takes_nothing(
    serve: Serve, tmp_path: Path, ports: Path
) -> None:
    """It journals, its page answers, SIGTERM ends it with its code, and the terminal is right again."""
    serve("lines", speed=1)
    station = tmp_path / "station.toml"
    text = station_text("lines", ports, index_length=20, index_step=2, advance="command")
    station.write_text(f"{text}\n[page]\nport = 0\n")
    journal = tmp_path / "survey" / "journal"

    def journalled() -> int:
        chunks = (entry for entry in read_journal(journal) if isinstance(entry, Chunk))
        return sum(len(chunk.data) for chunk in chunks)

    with ShellTerminal(size=(24, 200)) as terminal:
        terminal.type(f"{sys.executable} -m swathe run {station}\n")
        shown = terminal.wait_for("all keys")
        address = next(word for word in shown.split() if word.startswith("http://"))
        url = address.partition("#")[0]
        stop_output(terminal)
        before = journalled()
        wait_for(lambda: journalled() > before + 2000, 60, "a journal that grows")
        assert answers(url)
        raw = terminal.raw
        terminal.signal_job("SIGTERM")
        terminal.wait_for("incomplete: terminated")
        terminal.wait_for("prompt> ")
        after = terminal.raw[len(raw) :]
        assert ORDINARY in after
        assert after.rfind(CURSOR) > after.rfind(NO_CURSOR)
        terminal.wait(lambda: terminal.has_lines, "lines with echo")
        terminal.type("echo $?\n")
        terminal.wait_for("\n3\n")
