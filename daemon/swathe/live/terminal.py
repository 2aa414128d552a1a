"""The run on its own terminal: the board, or plain lines where there is no terminal."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

from rich.console import Console

from swathe.board import Board, BoardScreen, PlainLines, Stations
from swathe.live.run_panel import RunPanel
from swathe.live.service import Daemon
from swathe.live.spot_panel import SpotPanel
from swathe.messages import Message, StateMessage
from swathe.pipeline.progress.fields import number_text

__all__ = ["TerminalObserver"]

_REFRESH_SECONDS = 0.25


class TerminalObserver:
    """Shows a run while it lasts; a context manager.

    Args:
        console: the terminal.
        plain: whether to print lines though it is a terminal.
    """

    def __init__(self, console: Console, *, plain: bool = False) -> None:
        self._console = console
        self._plain = plain or not console.is_terminal
        self._stations = Stations()
        self._due = self._next_tenth = 0.0
        self._refresh: Callable[[], None] | None = None
        self._board: Board | None = None
        self._screen: BoardScreen | None = None
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.close()
        if self._board is not None:  # what was shown last stays readable after the run
            self._console.print(self._board.render())

    def give_back(self) -> None:
        """Give the terminal back at once, whatever the run still does."""
        if self._screen is not None:
            self._screen.give_back()

    def show_resumption(self, message: Message) -> None:
        """Write how far the replay of earlier runs is: one line that is renewed, or one each 10 %."""
        if not isinstance(message, StateMessage) or message.resumed is None:
            return
        left = (
            "" if message.resumed_in is None else f", {number_text(message, 'resumed_in')} s left"
        )
        text = f"resuming: {number_text(message, 'resumed')} % of earlier runs replayed{left}; what arrives is kept"
        if not self._plain:
            self._console.print(
                f"{text}  ", end="\r", highlight=False, markup=False, soft_wrap=True
            )
        elif message.resumed >= self._next_tenth:
            self._next_tenth = 10 * (message.resumed // 10 + 1)
            self._say(text)

    def show(self, daemon: Daemon) -> None:
        """Draw the state after a tick, four times a second at most."""
        if self._refresh is None:
            self._refresh = self._begin(daemon)
        if time.monotonic() >= self._due:
            self._due = time.monotonic() + _REFRESH_SECONDS
            self._refresh()

    def _begin(self, daemon: Daemon) -> Callable[[], None]:
        """Return what draws once more."""

        def put(topic: str) -> None:
            now = time.monotonic()
            if (message := daemon.mirror.messages.get(topic)) is not None:
                self._stations.put(topic, message, now=now)
            else:
                self._stations.take(topic, b"", retained=False, now=now)

        for topic in daemon.mirror.messages:
            put(topic)
        self._stack.callback(daemon.mirror.watch(lambda topic, _: put(topic)))
        if self._plain:
            return PlainLines(self._stations, self._say).refresh
        panel = RunPanel(daemon) if daemon.spots is None else SpotPanel(daemon, daemon.spots)
        self._board = Board(
            self._console,
            self._stations,
            panel,
            ring=self._console.bell,
            sounds=daemon.station.alarms.sound,
        )
        screen = BoardScreen(
            self._console,
            self._board,
            may_not_stop=panel.may_not_stop,
            on_continued=panel.on_continued,
        )
        self._stack.enter_context(screen)
        self._screen = screen
        return screen.refresh

    def _say(self, line: str) -> None:
        self._console.print(line, highlight=False, markup=False, soft_wrap=True)
