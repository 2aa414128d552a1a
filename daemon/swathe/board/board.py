"""The board: all stations in a list, one of them in full, never more lines than the terminal has."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from datetime import UTC, datetime

from rich.console import Console, Group, RenderableType
from rich.progress_bar import ProgressBar
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from swathe.board.alarm_lines import alarm_lines
from swathe.board.bells import Bells
from swathe.board.block_map import BlockMap
from swathe.board.check_texts import check_lines
from swathe.board.confirm_list import confirm_lines
from swathe.board.gap_list import gap_clusters, gap_list
from swathe.board.key_table import key_line, key_list
from swathe.board.line_banner import LineBanner
from swathe.board.lost_station import lost_lines
from swathe.board.prompt import KeyQuestion, Prompt, Question, Reply
from swathe.board.spot_texts import spot_lines
from swathe.board.stations import Stations, StationView
from swathe.board.texts import (
    age_text,
    check_text,
    coverage_text,
    port_text,
    progress_text,
    state_text,
)
from swathe.keys import Pasted
from swathe.pipeline import Grid
from swathe.pipeline.progress.fields import count_text

__all__ = ["Board", "Panel", "one_line"]

# An answer takes the place of the map, but must be seen by somebody who looks up from the part.
_ANSWER_SECONDS = 60.0
_MOST_LISTED = 8
_MOST_ALARMS = 4
_MOST_TO_CONFIRM = 3
# From here on a port has a line of its own.
_TALL = 30
# Below this there is neither map nor list.
_SHORT = 14
_WIDEST_MAP = 160
# Heading, one row and one line for the rest; the map's legend and a row.
_LEAST_LINES = 5


def one_line(text: str, style: str = "") -> Text:
    """Return a line that is cut rather than wrapped."""
    return Text(text, style=style, no_wrap=True, overflow="ellipsis")


class Panel:
    """What a board shows and does in addition to the messages; the base class adds nothing."""

    keys: tuple[str, ...] = ()
    """Which of the keys in `KEYS` it takes."""
    can_acknowledge = False
    """Whether alarms can be acknowledged from here."""

    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:
        """Return the first line: where the messages come from."""
        raise NotImplementedError

    @property
    def is_connected(self) -> bool:
        """Whether messages can arrive; while they cannot, the age of a station means nothing."""
        return True

    def grid(self, view: StationView) -> Grid | None:  # noqa: ARG002
        """Return the cells of a station, where they are in this process."""
        return None

    def next_lines(self, width: int) -> list[str]:  # noqa: ARG002
        """Return what is next, below the progress; it is wrapped at `width`, never cut."""
        return []

    def health_lines(self) -> list[Text]:
        """Return lines below those of ports and calibration check."""
        return []

    def foot_lines(self) -> list[str]:
        """Return texts for the end of the board; they are wrapped."""
        return []

    def press(self, key: str) -> Reply | None:
        """Act on a key; return the answer or what is to be asked, None where it is no key of it."""
        raise NotImplementedError

    def acknowledge(self, view: StationView) -> Reply:
        """Acknowledge the new alarms of a station; return the answer or what is to be asked."""
        raise NotImplementedError


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
        self._answer = ""
        self._answered = 0.0
        self._prompt: Prompt | None = None
        self._keys_shown = False
        self._line = LineBanner()
        self._maps: dict[str, BlockMap] = {}

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
        foot = self._wrapped([self._answer], "bold") if self._answer else []
        keys = self._keys(many=len(views) > 1)
        if self._keys_shown:
            foot += key_list(keys)
        else:
            foot += self._wrapped(self._panel.foot_lines(), "dim")
        asked = self._asked(now, width)
        foot += asked or ([] if self._keys_shown else [key_line(keys, width)])
        return Group(
            *top, *self._detail(chosen, now, wall, width, height - len(top) - len(foot)), *foot
        )

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

    def _detail(
        self, view: StationView, now: float, wall: datetime, width: int, height: int
    ) -> list[RenderableType]:
        """Return one station in exactly `height` lines, if that is enough for what matters."""
        top: list[RenderableType] = [Rule(self._title(view), style="dim", align="left")]
        top += self._banner(view, now, wall)
        top += self._line.lines(view, now, width, lambda text, style: self._wrapped([text], style))
        top += self._progress_lines(view, now, wall, width)
        top += self._wrapped(self._next_lines(view, width), "bold")
        if height < _SHORT:  # keys or a question take the rest
            top += self._alarm_lines(view, 1)
            return [*top[:height], *[Text("")] * (height - len(top))]
        health = self._health(view, width, long=height >= _TALL)
        space = height - len(top) - len(health)
        alarms = self._alarm_lines(view, max(1, min(_MOST_ALARMS, space - _LEAST_LINES)))
        space -= len(alarms)
        most = min(_MOST_TO_CONFIRM, space - _LEAST_LINES)
        doubtful = confirm_lines(view, most) if most > 0 else []
        space -= len(doubtful)
        alarms += [one_line(text, "yellow") for text in doubtful]
        clusters = gap_clusters(view)
        # Map, legend and list share the rest. The list keeps its height, so that nothing jumps.
        plan = None if view.state is None else view.state.plan
        listed = max(1, min(_MOST_LISTED, (space - 1) // 4))
        rows = max(1, space - 1 - (listed + 2))
        if plan is not None and rows > plan.lines:
            rows = plan.lines
            listed = max(listed, min(_MOST_LISTED, space - 1 - rows - 2))
        map_ = self._maps.setdefault(view.name, BlockMap()).draw(
            view, width=min(width, _WIDEST_MAP), height=rows, grid=self._panel.grid(view)
        )
        list_height = max(space - (1 + str(map_).count("\n")), 0)
        table = self._fitted(gap_list(clusters, view, listed), width, list_height)
        return [*top, *alarms, map_, *table, *health]

    def _fitted(self, table: RenderableType, width: int, height: int) -> list[RenderableType]:
        """Return a table in exactly `height` lines: cut, or filled up with empty ones."""
        lines = self._console.render_lines(
            table, self._console.options.update(width=width), pad=False
        )
        shown: list[RenderableType] = []
        for line in lines[:height]:
            text = Text(no_wrap=True, overflow="ellipsis")
            for segment in line:
                text.append(segment.text, segment.style)
            shown.append(text)
        return shown + [Text("")] * (height - len(shown))

    def _title(self, view: StationView) -> Text:
        state = view.state
        part = f": {state.part}" if state is not None and state.part else ""
        return Text.assemble((f"{view.name}{part} ", "bold"), state_text(view))

    def _banner(self, view: StationView, now: float, wall: datetime) -> list[Text]:
        """Return what is wrong or why the run is not scanning, in as few lines as it takes."""
        state = view.state
        is_will = state is not None and state.state == "offline"
        # Without a broker the head of the board shows how old everything is.
        known = is_will or self._panel.is_connected
        lost = self._wrapped(lost_lines(view, now, wall), "bold reverse") if known else []
        if state is not None and state.state == "paused":
            text = f" PAUSED: readings belong to no cell · {state.reason} "
            return [one_line(text, "bold reverse"), *lost]
        if lost:
            return lost
        if state is not None and state.reason and not self._next_lines(view, self._console.width):
            return self._wrapped([state.reason], "dim")
        return []

    def _next_lines(self, view: StationView, width: int) -> list[str]:
        """Return what is next, a calibration check first; of others' spots only while they are at work."""
        check = check_lines(view.checking, keys="c" in self._panel.keys)
        active = view.checking is not None and view.checking.active
        return check if active else [*check, *self._scan_lines(view, width)]

    def _scan_lines(self, view: StationView, width: int) -> list[str]:
        if (lines := self._panel.next_lines(width)) or view.spots is None:
            return lines
        at_work = view.state is not None and view.state.state == "scanning"
        return spot_lines(view.spots, keys=False, units=view.units) if at_work else []

    def _progress_lines(
        self, view: StationView, now: float, wall: datetime, width: int
    ) -> list[RenderableType]:
        progress, state = view.progress, view.state
        if progress is None:
            return []
        row = Table.grid(padding=(0, 1, 0, 0))
        for _ in range(2):
            row.add_column(no_wrap=True)
        row.add_row(
            ProgressBar(total=100, completed=progress.percent, width=max(10, min(width - 30, 80))),
            Text(coverage_text(progress), style="bold"),
        )
        scanning = state is not None and state.state == "scanning" and not view.is_stale(now, wall)
        text = progress_text(
            progress,
            plan=view.plan,
            scanning=scanning,
        )
        lifted = [] if progress.lifted is None else [progress.lifted.text]
        return [row, *self._wrapped([text]), *self._wrapped(lifted, "bold")]

    def _alarm_lines(self, view: StationView, most: int) -> list[Text]:
        """Return raised alarms, the unacknowledged first, in at most `most` lines."""
        return alarm_lines(
            view.raised_alarms,
            most,
            lambda text, style: self._wrapped([text], style),
            plan=view.plan,
        )

    def _health(self, view: StationView, width: int, *, long: bool) -> list[Text]:
        """Return ports, calibration check and what else is to be known, in few lines."""
        ports = [view.ports[name] for name in sorted(view.ports)]
        texts = [
            one_line(port_text(port, long=long), "" if port.state == "open" else "bold yellow")
            for port in ports
        ]
        together = Text(" · ", no_wrap=True, overflow="ellipsis").join(texts)
        fits = not long and together.cell_len <= width
        lines = ([together] if texts else []) if fits else texts
        check = view.last_check
        failed = check is not None and not check.passed and not check.overridden_by
        lines.append(one_line(check_text(check), "bold yellow" if failed else ""))
        lines += self._panel.health_lines()
        if view.unread:
            unread = f"{view.unread} messages could not be read: is the station's Swathe newer?"
            lines.append(one_line(unread, "dim"))
        return lines
