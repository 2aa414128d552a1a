"""The board on the terminal: its screen, its keys, and what Ctrl-Z and ``fg`` do to both."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
import time
from collections.abc import Callable
from functools import partial
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console, RenderableType
from rich.live import Live

from swathe.board.prompt import Reply
from swathe.keys import TerminalKeys, is_foreground
from swathe.steady_output import STEADY_OUTPUT

__all__ = ["BoardScreen", "Drawn"]

# A terminal that takes nothing must not keep Ctrl-Z from stopping the process.
_SETTLE_SECONDS = 0.5


class Drawn(Protocol):
    """What is drawn on the screen, and takes its keys."""

    def ring_for_new(self) -> None:
        """Ring for what is new, if it is time to."""
        ...

    def render(self) -> RenderableType:
        """Return all of it, for the console as it is now."""
        ...

    def press(self, key: str) -> None:
        """Act on a key."""
        ...

    def show(self, reply: Reply) -> None:
        """Show an answer, or ask."""
        ...


def _in_loop(
    loop: asyncio.AbstractEventLoop, act: Callable[[], None], _number: int, _frame: object
) -> None:
    loop.call_soon_threadsafe(act)


class BoardScreen:
    """Draws a board on the alternate screen of a terminal; a context manager, within an event loop.

    Ctrl-Z gives the terminal back as it was and stops the process; after ``fg`` the board has it
    again. In the background nothing is drawn, and no key taken.

    Args:
        console: the terminal.
        board: what is drawn.
        may_not_stop: returns why Ctrl-Z must not stop the process now; empty where it may.
        on_continued: called with the seconds that the process stood still; returns what the board
            answers.
    """

    def __init__(
        self,
        console: Console,
        board: Drawn,
        *,
        may_not_stop: Callable[[], str] = lambda: "",
        on_continued: Callable[[float], str] = lambda _: "",
    ) -> None:
        self._console = console
        self._board = board
        self._may_not_stop = may_not_stop
        self._on_continued = on_continued
        self._keys = TerminalKeys(self._press)
        self._live: Live | None = None
        self._ended = False
        self._handled = contextlib.ExitStack()

    def __enter__(self) -> Self:
        self._handle_signals()
        self.refresh()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._handled.close()
        self._close()

    def refresh(self) -> None:
        """Ring, and draw the board as it is now; in the background only ring."""
        self._board.ring_for_new()
        if self._live is None and not self._ended and is_foreground():
            self._open()
        if self._live is not None:
            rendered = self._board.render()
            with STEADY_OUTPUT.whole_screen():
                self._live.update(rendered, refresh=True)

    def give_back(self) -> None:
        """Give the terminal back as it was; the screen is not drawn again."""
        self._ended = True
        self._close()

    def _press(self, key: str) -> None:
        self._board.press(key)
        self.refresh()

    def _handle_signals(self) -> None:
        """Handle Ctrl-Z and continuing while the screen lasts, where the loop can."""
        loop = asyncio.get_running_loop()
        for name, act in (("SIGTSTP", self._stop), ("SIGCONT", self._take_again)):
            if (number := getattr(signal, name, None)) is None:
                continue
            with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
                # Not by the loop: it would take the descriptor that all signals are reported by.
                before = signal.signal(number, partial(_in_loop, loop, act))
                self._handled.callback(signal.signal, number, before)

    def _open(self) -> None:
        """Take screen and keys."""
        self._keys.open()
        # Only now, so that what was printed before stays on the ordinary screen.
        self._live = Live(console=self._console, auto_refresh=False, screen=True)
        self._live.start()

    def _close(self) -> None:
        """Give the terminal back: ordinary screen, cursor, lines with echo."""
        if self._live is not None:
            self._live.stop()
            self._live = None
        self._keys.close()

    def _stop(self) -> None:
        """Stop the process as Ctrl-Z does, and continue after it."""
        if why_not := self._may_not_stop():
            self._board.show(why_not)
            self.refresh()
            return
        self._close()
        self._console.print("stopped: no port is read before 'fg'", markup=False, highlight=False)
        self._handled.close()
        STEADY_OUTPUT.settle(_SETTLE_SECONDS)
        began = time.monotonic()
        # To this thread: it stops here, not a few lines later.
        signal.pthread_kill(threading.get_ident(), signal.SIGTSTP)
        stood = time.monotonic() - began
        self._handle_signals()
        if answer := self._on_continued(stood):
            self._board.show(answer)
        self.refresh()

    def _take_again(self) -> None:
        """Take the terminal once more after the process was stopped, in whatever way."""
        self._close()
        self.refresh()
