"""The board on a screen: when Ctrl-Z is refused, and how the terminal is given back."""

from __future__ import annotations

import asyncio
import io
import signal
import threading

import pytest
from rich.console import Console

from daemon.board.test_board import PlainPanel
from swathe.board import Board, BoardScreen, Stations


class Terminal:
    """A screen whose signals to itself are noted, not sent."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, refused: str = "") -> None:
        self.signals: list[tuple[int, int, str]] = []
        self.out = io.StringIO()
        console = Console(
            file=self.out, width=80, height=24, force_terminal=True, color_system=None
        )
        self.board = Board(console, Stations(), PlainPanel(), ring=lambda: None)
        self.screen = BoardScreen(
            console,
            self.board,
            may_not_stop=lambda: refused,
            on_continued=lambda seconds: f"stood {seconds:.0f} s",
        )
        monkeypatch.setattr("swathe.board.screen.is_foreground", lambda: True)
        monkeypatch.setattr(signal, "pthread_kill", self._kill)

    def _kill(self, thread: int, number: int) -> None:
        self.signals.append((thread, number, self.out.getvalue()))

    async def press_ctrl_z(self) -> None:
        """Do what the signal of Ctrl-Z does."""
        with self.screen:
            signal.raise_signal(signal.SIGTSTP)
            for _ in range(100):
                await asyncio.sleep(0.01)
                if self.signals or self.board._answer:
                    break


def test_ctrl_z_is_refused_with_the_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is stopped, and the board says why."""
    terminal = Terminal(monkeypatch, refused="the crawler would not be watched")
    asyncio.run(terminal.press_ctrl_z())
    assert terminal.signals == []
    assert terminal.board._answer == "the crawler would not be watched"


def test_ctrl_z_gives_the_terminal_back_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """As the process stops, the ordinary screen is there with its cursor; afterwards the board."""
    terminal = Terminal(monkeypatch)
    asyncio.run(terminal.press_ctrl_z())
    ((thread, number, shown),) = terminal.signals
    assert (thread, number) == (threading.get_ident(), signal.SIGTSTP)
    assert shown.rfind("\x1b[?1049l") > shown.rfind("\x1b[?1049h")
    assert shown.rfind("\x1b[?25h") > shown.rfind("\x1b[?25l")
    assert shown.rstrip().endswith("stopped: no port is read before 'fg'")
    assert terminal.board._answer == "stood 0 s"
    after = terminal.out.getvalue()[len(shown) :]
    assert "\x1b[?1049h" in after
    assert after.rfind("\x1b[?1049l") > after.rfind("\x1b[?1049h")  # the end


def test_nothing_is_drawn_in_the_background(monkeypatch: pytest.MonkeyPatch) -> None:
    """The terminal is another's; once it is ours the board is drawn."""
    terminal = Terminal(monkeypatch)
    ours = False
    monkeypatch.setattr("swathe.board.screen.is_foreground", lambda: ours)

    async def run() -> None:
        nonlocal ours
        with terminal.screen:
            terminal.screen.refresh()
            assert terminal.out.getvalue() == ""
            ours = True
            terminal.screen.refresh()
            assert "\x1b[?1049h" in terminal.out.getvalue()

    asyncio.run(run())
