"""One station in full, in as many lines as there are; what matters most keeps its lines longest."""

from __future__ import annotations

from datetime import datetime

from rich.console import Console, RenderableType
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from swathe.board.alarm_lines import alarm_lines
from swathe.board.block_map import BlockMap
from swathe.board.check_texts import check_lines
from swathe.board.confirm_list import confirm_lines
from swathe.board.fitting import fitted_parts, joined_lines
from swathe.board.gap_list import gap_clusters, gap_line, gap_list
from swathe.board.line_banner import LineBanner
from swathe.board.lost_station import lost_lines
from swathe.board.panel import Panel, one_line
from swathe.board.run_state import crawler_lines, state_lines
from swathe.board.spot_texts import spot_lines
from swathe.board.stations import StationView
from swathe.board.texts import (
    check_text,
    coverage_text,
    port_text,
    probe_reading_lines,
    progress_parts,
    state_text,
)

__all__ = ["TALL", "StationDetail"]

TALL = 30
"""From so many lines on a port has a line of its own, and gaps have a table."""
# Below this there is neither map nor list.
_SHORT = 14
_MOST_LISTED = 8
_MOST_ALARMS = 4
_MOST_TO_CONFIRM = 3
# Lines of figures where there are few, and rows that a map keeps before anything else grows.
_FEW_FIGURES = 2
_MAP_ROWS = 9
# Axis and legend; heading and end of the table of gaps.
_OF_MAP = 2
_OF_TABLE = 2
_WIDEST_MAP = 160


class StationDetail:
    """Draws one station.

    Args:
        console: wraps the lines.
        panel: what is shown in addition.
    """

    def __init__(self, console: Console, panel: Panel) -> None:
        self._console = console
        self._panel = panel
        self._line = LineBanner()
        self._maps: dict[str, BlockMap] = {}

    def draw(
        self,
        view: StationView,
        now: float,
        wall: datetime,
        size: tuple[int, int],
        *,
        head: Text | None = None,
        keeps_head: bool = False,
    ) -> list[RenderableType]:
        """Return one station in exactly as many lines as there are.

        Args:
            view: the station.
            now: monotonic seconds.
            wall: the time of day.
            size: width and lines.
            head: of the board, at the end of the first line; None where it has a line of its own.
            keeps_head: whether it is shown whatever the name of the part takes of that line.
        """
        width, height = size
        if height <= 0:
            return []
        top: list[RenderableType] = [self._title(view, head, width, keeps_head=keeps_head)]
        top += self._banner(view, now, wall, short=height < _SHORT)
        if height < _SHORT:  # keys or a question take the rest
            figures = self._progress_lines(view, now, wall, width, tall=False)
            top += [*figures[:1], *self._alarm_lines(view, 1), *figures[1:]]
            top += self._wrapped(self._next_lines(view, width), "bold")
            return [*top[:height], *[Text("")] * (height - len(top))]
        top += self._line.lines(view, now, width, lambda text, style: self._wrapped([text], style))
        figures = self._progress_lines(view, now, wall, width, tall=height >= TALL)
        next_ = self._wrapped(self._next_lines(view, width), "bold")
        health = self._health(view) if height >= TALL else self._short_health(view, width)
        rest = height - len(top) - len(figures) - len(next_) - len(health)
        if rest < self._fewest_lines(view) and len(figures) > _FEW_FIGURES:
            del figures[_FEW_FIGURES]  # what matters least
            rest += 1
        if rest < self._fewest_lines(view):
            # Of what is in order the first line is enough; that of ports has what is wrong first.
            kept = [health[0], *(line for line in health[1:] if str(line.style))]
            rest += len(health) - len(kept)
            health = kept
        top += [*figures, *next_]
        return [*top, *self._rest(view, width, rest), *health][:height]

    @staticmethod
    def _fewest_lines(view: StationView) -> int:
        """Return of how many lines the map has enough rows, with one of alarms and one of gaps."""
        lines = _MAP_ROWS if view.plan is None else min(view.plan.lines, _MAP_ROWS)
        return lines + _OF_MAP + 2

    def _rest(self, view: StationView, width: int, height: int) -> list[RenderableType]:
        """Return alarms, map and gaps in exactly `height` lines.

        The map comes first until it has nine rows, or those of the plan; then alarms, places to
        confirm and gaps; then the map again.
        """
        plan = view.plan
        lines = _MAP_ROWS if plan is None else plan.lines
        spare = height - self._fewest_lines(view)
        alarms = self._alarm_lines(view, 1 + max(0, min(_MOST_ALARMS - 1, spare)))
        spare -= len(alarms) - 1
        most = min(_MOST_TO_CONFIRM, spare)
        alarms += [
            one_line(text, "yellow") for text in (confirm_lines(view, most) if most > 0 else [])
        ]
        space = height - len(alarms)
        listed = min(_MOST_LISTED, (space - _OF_MAP) // 4)
        rows = space - _OF_MAP - (listed + _OF_TABLE if height >= TALL - 8 else 1)
        rows = max(1, rows, min(lines, _MAP_ROWS, space - _OF_MAP - 1))
        if rows > lines:  # lines are drawn higher only where gaps have their table
            rows = max(lines, space - _OF_MAP - (listed + _OF_TABLE))
        drawn = self._maps.setdefault(view.name, BlockMap()).draw(
            view,
            width=min(width, _WIDEST_MAP),
            height=rows,
            grid=self._panel.grid(view),
            axes=True,
        )
        map_ = list(drawn.split("\n", allow_blank=True))[: max(space, 0)]
        left = space - len(map_)
        return [*alarms, *map_, *self._gaps(view, width, left)]

    def _gaps(self, view: StationView, width: int, height: int) -> list[RenderableType]:
        """Return the open gaps in exactly `height` lines: a table, or one line of the nearest."""
        if height <= 0:
            return []
        clusters = gap_clusters(view)
        if height > _OF_TABLE or not clusters:
            return self._fitted(gap_list(clusters, view, height - _OF_TABLE), width, height)
        line = one_line(gap_line(clusters, view, width))
        return [line, *[Text("")] * (height - 1)]

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

    def _title(self, view: StationView, head: Text | None, width: int, *, keeps_head: bool) -> Text:
        state = view.state
        part = f": {state.part}" if state is not None and state.part else ""
        word = state_text(view)
        name = Text(f"{view.name}{part}", style="bold")
        room = width - len(word) - 2
        if head is not None and keeps_head:
            room -= head.cell_len + 3
        name.truncate(max(room, len(view.name)), overflow="ellipsis")
        title = Text.assemble(name, f" {word} ")
        title.no_wrap, title.overflow = True, "ellipsis"
        left = width - title.cell_len
        if head is not None and head.cell_len + 3 <= left:
            title.append("─" * (left - head.cell_len - 1) + " ", "dim")
            title.append_text(head)
        else:
            title.append("─" * max(left, 0), "dim")
        return title

    def _banner(self, view: StationView, now: float, wall: datetime, *, short: bool) -> list[Text]:
        """Return what is wrong or why the run is not scanning, in as few lines as it takes."""
        state = view.state
        is_will = state is not None and state.state == "offline"
        # Without a broker the head of the board shows how old everything is.
        known = is_will or self._panel.is_connected
        lost = self._wrapped(lost_lines(view, now, wall), "bold reverse") if known else []
        if why := state_lines(view):
            if short and view.state is not None and view.state.todo:
                # The reason is cut, so that what a person has to do is not.
                (first, style), *rest = why
                lines, why = [one_line(f" {first} ", style)], rest
            else:
                lines = []
            lines += [line for text, style in why for line in self._wrapped([f" {text} "], style)]
            return [*lines, *lost]
        if lost:
            return lost
        if state is not None and state.reason and not self._next_lines(view, self._console.width):
            return self._wrapped([state.reason], "dim")
        return []

    def _next_lines(self, view: StationView, width: int) -> list[str]:
        """Return what is next, a calibration check first; of others' spots only while they are at work."""
        check = check_lines(view.checking, keys="c" in self._panel.keys)
        active = view.checking is not None and view.checking.active
        # What a crawler that has stopped waits for is in the banner.
        halted = view.state is not None and view.state.state in ("waiting", "faulted")
        return check if active or halted else [*check, *self._scan_lines(view, width)]

    def _scan_lines(self, view: StationView, width: int) -> list[str]:
        if lines := self._panel.next_lines(width):
            return lines
        if view.spots is None:
            return crawler_lines(view.crawler)
        at_work = view.state is not None and view.state.state == "scanning"
        return spot_lines(view.spots, keys=False, units=view.units) if at_work else []

    def _progress_lines(
        self, view: StationView, now: float, wall: datetime, width: int, *, tall: bool
    ) -> list[RenderableType]:
        progress, state = view.progress, view.state
        if progress is None:
            return []
        row = Table.grid(padding=(0, 1, 0, 0))
        for _ in range(2):
            row.add_column(no_wrap=True)
        text = coverage_text(progress)
        bar = max(5, min(width - len(text) - 2, 80))
        row.add_row(
            ProgressBar(total=100, completed=progress.percent, width=bar),
            Text(text, style="bold"),
        )
        scanning = state is not None and state.state == "scanning" and not view.is_stale(now, wall)
        parts = progress_parts(progress, plan=view.plan, scanning=scanning)
        lines = joined_lines(parts, width)
        if not tall:
            lines = lines[:_FEW_FIGURES]
        elif scanning:
            lines += probe_reading_lines(progress, width, view.plan)
        lifted = [] if progress.lifted is None else [progress.lifted.text]
        return [row, *self._wrapped(lines), *self._wrapped(lifted, "bold")]

    def _alarm_lines(self, view: StationView, most: int) -> list[Text]:
        """Return raised alarms, the unacknowledged first, in at most `most` lines."""
        state = view.state
        halted = state is not None and state.state in ("waiting", "faulted")
        return alarm_lines(
            view.raised_alarms,
            most,
            lambda text, style: self._wrapped([text], style),
            plan=view.plan,
            said=state.reason if state is not None and halted else "",
        )

    def _health(self, view: StationView) -> list[Text]:
        """Return ports, calibration check and what else is to be known, a line each."""
        lines = [
            one_line(port_text(port, long=True), "" if port.state == "open" else "bold yellow")
            for _, port in sorted(view.ports.items())
        ]
        check = view.last_check
        lines.append(one_line(check_text(check), "bold yellow" if _is_bad(view) else ""))
        return [*lines, *self._panel.health_lines(), *_unread(view)]

    def _short_health(self, view: StationView, width: int) -> list[Text]:
        """Return the same in few lines, what is wrong first."""
        ports = sorted(view.ports.values(), key=lambda port: (port.state == "open", port.device))
        wrong = any(port.state != "open" for port in ports)
        check = check_text(view.last_check)
        texts = [port_text(port) for port in ports]
        texts = [check, *texts] if _is_bad(view) and not wrong else [*texts, check]
        style = "bold yellow" if wrong or _is_bad(view) else ""
        line = one_line(fitted_parts(texts, width), style)
        return [line, *self._panel.health_lines(), *_unread(view)]

    def _wrapped(self, texts: list[str], style: str = "") -> list[Text]:
        return [
            line
            for text in texts
            for line in Text(text, style=style).wrap(self._console, self._console.width)
        ]


def _is_bad(view: StationView) -> bool:
    """Return whether the last calibration check failed, and nobody overrode that."""
    check = view.last_check
    return check is not None and not check.passed and not check.overridden_by


def _unread(view: StationView) -> list[Text]:
    if not view.unread:
        return []
    text = f"{view.unread} messages could not be read: is the station's Swathe newer?"
    return [one_line(text, "dim")]
