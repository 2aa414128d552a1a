"""The run on its own terminal: the board, or plain lines where there is no terminal."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from datetime import datetime
from types import TracebackType
from typing import TYPE_CHECKING, Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from swathe.board import Board, Panel, PlainLines, Stations, StationView
from swathe.board.board import one_line
from swathe.keys import terminal_keys
from swathe.live.hand_guide import where_by_hand
from swathe.live.service import Daemon
from swathe.pipeline import Grid
from swathe.pipeline.progress.fields import count_text

if TYPE_CHECKING:
    from swathe.page import Page

__all__ = ["CAUTION", "TerminalObserver", "next_line", "page_text"]

CAUTION = (
    "Swathe measures; it does not judge fitness for service. Site rules, local codes and a "
    "licensed practitioner decide. It is no emergency stop."
)

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
        self._due = 0.0
        self._refresh: Callable[[], None] | None = None
        self._board: Board | None = None
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
            self._stations.put(topic, daemon.mirror.messages[topic], now=time.monotonic())

        for topic in daemon.mirror.messages:
            put(topic)
        self._stack.callback(daemon.mirror.watch(lambda topic, _: put(topic)))
        if self._plain:
            return PlainLines(self._stations, self._say).refresh
        board = Board(self._console, self._stations, RunPanel(daemon), ring=self._console.bell)
        self._board = board
        # Only now, so that what was printed at the start stays on the ordinary screen.
        live = Live(console=self._console, auto_refresh=False, screen=True)
        self._stack.enter_context(live)

        def refresh() -> None:
            board.ring_for_new()
            live.update(board.render(), refresh=True)

        def press(key: str) -> None:
            board.press(key)
            refresh()

        self._stack.enter_context(terminal_keys(press))
        return refresh

    def _say(self, line: str) -> None:
        self._console.print(line, highlight=False, markup=False, soft_wrap=True)


class RunPanel(Panel):
    """What only the run itself has: the next step, the crawler, the cells, keys to steer by.

    Args:
        daemon: the run.
    """

    can_acknowledge = True

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self._by = daemon.station.survey.operator or "terminal"
        self._actions: dict[str, Callable[[], str]] = {" ": self._pause, "q": self._stop}
        keys = ["space pause"]
        if daemon.station.index is not None and daemon.station.index.mode == "stepped":
            keys = ["n next line", "p previous line", *keys]
            self._actions |= {"n": lambda: self._step(1), "p": lambda: self._step(-1)}
        if daemon.crawl is not None:
            keys = ["g continue after a stop", *keys]
            self._actions["g"] = self._continue
        self.keys = tuple(keys)

    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:  # noqa: ARG002
        """Return where the survey is stored."""
        return Text.assemble(
            ("swathe run  ", "bold"),
            (str(self._daemon.folder.path), "dim"),
            no_wrap=True,
            overflow="ellipsis",
        )

    def grid(self, view: StationView) -> Grid | None:  # noqa: ARG002
        """Return the cells."""
        return self._daemon.pipeline.grid

    def next_lines(self) -> list[Text]:
        """Return what the crawler does, or where to go next by hand."""
        return [next_line(self._daemon)]

    def health_lines(self) -> list[Text]:
        """Return broker and page in one line."""
        daemon, parts = self._daemon, []
        if daemon.page is not None:
            viewers = (
                "" if daemon.page.trouble else f", {count_text(daemon.page.viewers, 'viewer')}"
            )
            parts.append(f"{page_text(daemon.page)}{viewers}")
        if (link := daemon.link) is not None:
            detail = f": {link.detail}" if link.detail else ""
            parts.append(f"broker {link.address} {link.state}{detail}")
        lost = (daemon.page is not None and bool(daemon.page.trouble)) or (
            daemon.link is not None and daemon.link.state != "connected"
        )
        return [one_line(" · ".join(parts), "bold yellow" if lost else "")] if parts else []

    def foot_lines(self) -> list[str]:
        """Return the caution."""
        return [CAUTION]

    def press(self, key: str) -> str | None:
        """Act on a key that steers the run."""
        action = self._actions.get(key)
        return None if action is None else action()

    def acknowledge(self, view: StationView) -> str:
        """Acknowledge every new alarm in the operator's name."""
        alarms = view.new_alarms
        for alarm in alarms:
            self._daemon.commands.acknowledge(alarm.number, self._by)
        return f"{count_text(len(alarms), 'alarm')} acknowledged by {self._by}"

    def _pause(self) -> str:
        commands = self._daemon.commands
        if self._daemon.pipeline.pauses.active:
            return commands.resume("terminal")
        return commands.pause("terminal", "")

    def _step(self, step: int) -> str:
        return self._daemon.commands.set_line(self._daemon.pipeline.line + step, "terminal")

    def _continue(self) -> str:
        crawl = self._daemon.crawl
        return "" if crawl is None else crawl.go_on(self._by)

    def _stop(self) -> str:
        self._daemon.stop("stopped by the user")
        return "stopping"


def next_line(daemon: Daemon) -> Text:
    """Return what the crawler does, or the next step by hand, in one line."""
    if daemon.crawl is not None:
        text = f"crawler {daemon.crawl.machine.state}: {daemon.crawl.words or 'begins'}"
    else:
        step = where_by_hand(daemon.pipeline, daemon.pipeline.position)
        text = "next: nothing to return to" if step is None else f"next: {step.words}"
    return one_line(text, "bold")


def page_text(page: Page) -> str:
    """Return the address of the page, or why it is not served."""
    return page.trouble or f"page: {page.url}"
