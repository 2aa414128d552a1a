"""The board: all stations in a list, one of them in full, never more lines than the terminal has."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from datetime import UTC, datetime

from rich.console import Console, Group, RenderableType
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from swathe.board.bells import Bells
from swathe.board.detail import TALL, StationDetail
from swathe.board.key_table import key_line, key_list
from swathe.board.panel import Panel
from swathe.board.prompt import KeyQuestion, Prompt, Question, Reply, ShownAnswer, answer_text
from swathe.board.stations import Stations
from swathe.board.texts import age_text, coverage_text, state_text
from swathe.keys import Pasted
from swathe.pipeline.progress.fields import count_text

__all__ = ["Board"]

# An answer takes the place of the map, but must be seen by somebody who looks up from the part.
_ANSWER_SECONDS = 60.0


class Board:
    """Draws the stations; keys choose one, mute the bell, acknowledge, and answer what is asked.

    Args:
        console: where it is drawn; only its size is read here.
        stations: their messages.
        panel: what is shown in addition.
        ring: rings the bell.
        sounds: the events for which it rings; all if None.
    """

    def __init__(
        self,
        console: Console,
        stations: Stations,
        panel: Panel,
        *,
        ring: Callable[[], None],
        sounds: Collection[str] | None = None,
    ) -> None:
        self._console = console
        self._stations = stations
        self._panel = panel
        self._ring = ring
        self._bells = Bells(sounds)
        self._chosen = ""
        self._answer: ShownAnswer = ""
        self._answered = 0.0
        self._prompt: Prompt | None = None
        self._keys_shown = False
        self._detail = StationDetail(console, panel)

    @property
    def muted(self) -> bool:
        """Whether the bell is silent."""
        return self._bells.muted

    def show(self, reply: Reply) -> None:
        """Show an answer, or ask."""
        if isinstance(reply, Question | KeyQuestion):
            self._prompt, self._answer = Prompt(reply, time.monotonic()), ""
        else:
            self._prompt, self._answer = None, reply
            self._answered = time.monotonic()

    def press(self, key: str) -> None:
        """Act on a key, which is text while a line is asked for; in either case otherwise."""
        if self._prompt is not None:
            if (answer := self._prompt.press(key, time.monotonic())) is not None:
                self.show(answer)
            return
        if isinstance(key, Pasted):  # the letters of a text are no keys
            self.show("a text was pasted, but nothing is asked for")
            return
        key = key.lower()
        shown, self._keys_shown = self._keys_shown, key == "?" and not self._keys_shown
        if key == "?" or (shown and key == "escape"):
            return
        if (reply := self._panel.press(key)) is not None:
            self.show(reply)
        elif key == "b":
            self._bells.muted = not self._bells.muted
        elif key in ("down", "right", "tab"):
            self._choose(1)
        elif key in ("up", "left", "back"):
            self._choose(-1)
        elif key == "a" and self._panel.can_acknowledge:
            view = self._stations.find(self._chosen)
            if view is not None and view.new_alarms:
                self.show(self._panel.acknowledge(view))

    def _choose(self, step: int) -> None:
        names = [view.name for view in self._stations.views]
        if names:
            here = names.index(self._chosen) if self._chosen in names else 0
            self._chosen = names[(here + step) % len(names)]

    def ring_for_new(self) -> None:
        """Ring for what is new, if it is time to."""
        if self._bells.ring(self._stations.views, time.monotonic()):
            self._ring()

    def render(self) -> RenderableType:
        """Return the whole board, for the console as it is now."""
        now, wall = time.monotonic(), datetime.now(UTC)
        width, height = self._console.width, self._console.height
        views = self._stations.views
        if self._stations.find(self._chosen) is None and views:
            self._chosen = views[0].name
        head = self._panel.head(views, now, wall)
        head.append("  bell muted" if self.muted else "", style="dim")
        top: list[RenderableType] = [head]
        if len(views) > 1:
            top += self._list(now, wall, most=max(2, height // 6))
        chosen = self._stations.find(self._chosen)
        if chosen is None:
            waiting = Text("\nno message from a station yet\n", style="dim")
            listed = key_list(self._keys(many=False)) if self._keys_shown else []
            return Group(*top, waiting, *listed, key_line(self._keys(many=False), width))
        if now - self._answered > _ANSWER_SECONDS:
            self._answer = ""
        foot = self._wrapped([answer_text(self._answer)], "bold") if self._answer else []
        keys = self._keys(many=len(views) > 1)
        if self._keys_shown:
            foot += key_list(keys)
        else:
            foot += self._wrapped(self._panel.foot_lines(), "dim")
        asked = self._asked(now, width)
        foot += asked or ([] if self._keys_shown else [key_line(keys, width)])
        rest = height - len(foot)
        if len(views) == 1 and rest < TALL and self._panel.is_connected:
            # The station's own line has space for it; that the bell is silent is never left out.
            top, merged = [], Text("bell muted", style="dim") if self.muted else head
        else:
            merged = None
        size = width, rest - len(top)
        detail = self._detail.draw(chosen, now, wall, size, head=merged, keeps_head=self.muted)
        return Group(*top, *detail, *foot)

    def _asked(self, now: float, width: int) -> list[Text]:
        """Return the lines of what is asked, below all else."""
        if self._prompt is None:
            return []
        if (answer := self._prompt.expired(now)) is not None:
            self.show(answer)
            return self._wrapped([answer], "bold")
        return self._prompt.lines(lambda text, style: self._wrapped([text], style), width)

    def _keys(self, *, many: bool) -> list[str]:
        keys = [*self._panel.keys, "b"]
        if self._panel.can_acknowledge:
            keys.append("a")
        return [*keys, "arrows"] if many else keys

    def _wrapped(self, texts: list[str], style: str = "") -> list[Text]:
        return [
            line
            for text in texts
            for line in Text(text, style=style).wrap(self._console, self._console.width)
        ]

    def _list(self, now: float, wall: datetime, *, most: int) -> list[RenderableType]:
        """Return a row for each station, as many as there is space for; each is one line."""
        views = self._stations.views
        at = next(k for k, view in enumerate(views) if view.name == self._chosen)
        first = max(0, min(at - most // 2, len(views) - most))
        rows: list[RenderableType] = []
        name_width = max(len(view.name) for view in views)
        for view in views[first : first + most]:
            new, progress, age = len(view.new_alarms), view.progress, view.age(now, wall)
            stale, state = view.is_stale(now, wall), state_text(view)
            chosen = view.name == self._chosen
            table = Table.grid(padding=(0, 2, 0, 0))
            for column_width in (name_width + 2, 10, 12, None, None, None):
                table.add_column(no_wrap=True, width=column_width)
            table.add_row(
                Text(f"{'▶' if chosen else ' '} {view.name}", style="bold" if chosen else ""),
                Text(state, style="bold reverse" if state == "OFFLINE" else ""),
                ProgressBar(total=100, completed=progress.percent if progress else 0.0, width=12),
                "–" if progress is None else coverage_text(progress),
                Text(f"! {count_text(new, 'alarm')}" if new else "", style="bold yellow"),
                Text(
                    ""
                    if age is None
                    else f"{'NO MESSAGE FOR ' if stale else ''}{age_text(max(age, 0.0))}",
                    style="bold reverse" if stale else "dim",
                ),
            )
            rows.append(table)
        return rows
