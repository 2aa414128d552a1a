"""The stations of a broker on a terminal: all of them in a list, one of them in full."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from datetime import UTC, datetime

from rich.console import Console, Group, RenderableType
from rich.progress_bar import ProgressBar
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from swathe.messages import ProgressMessage
from swathe.report.clusters import Cluster, cluster_gaps
from swathe.watch.blocks import BlockMap
from swathe.watch.link import WatchLink
from swathe.watch.stations import Stations, StationView
from swathe.watch.words import (
    age_text,
    alarm_text,
    check_text,
    port_text,
    progress_text,
    state_text,
)

__all__ = ["Board"]

_MOST_LISTED = 8
_MOST_ALARMS = 3
# Gaps of one line no farther apart than this are one place to go back to.
_REACH_CELLS = 10
_WIDE = 110


class Board:
    """Draws the stations; keys choose one, mute the bell, acknowledge.

    Args:
        console: where it is drawn; only its size is asked for here.
        stations: what is known.
        link: the link, whose state is shown.
        ring: rings the bell.
        acknowledge: tells a station that an alarm was seen; None where nobody said who watches.
        quit_: ends it.
    """

    def __init__(
        self,
        console: Console,
        stations: Stations,
        link: WatchLink,
        *,
        ring: Callable[[], None],
        quit_: Callable[[], None],
        acknowledge: Callable[[str, int], None] | None = None,
    ) -> None:
        self._console = console
        self._stations = stations
        self._link = link
        self._ring = ring
        self._quit = quit_
        self._acknowledge = acknowledge
        self._chosen = ""
        self._maps: dict[str, BlockMap] = {}
        self._rung: set[tuple[str, str, int]] = set()
        self.muted = False

    def press(self, key: str) -> None:
        """Act on a key."""
        if key in ("q", "Q"):
            self._quit()
        elif key in ("b", "B"):
            self.muted = not self.muted
        elif key in ("down", "right", "tab"):
            self._choose(1)
        elif key in ("up", "left", "back"):
            self._choose(-1)
        elif key in ("a", "A") and self._acknowledge is not None:
            view = self._stations.find(self._chosen)
            for alarm in view.standing if view is not None else ():
                if not alarm.acknowledged_by:
                    self._acknowledge(self._chosen, alarm.number)

    def _choose(self, step: int) -> None:
        names = [view.name for view in self._stations.views]
        if names:
            here = names.index(self._chosen) if self._chosen in names else 0
            self._chosen = names[(here + step) % len(names)]

    def look(self) -> None:
        """Ring once for alarms that nobody has seen and that have not been rung for."""
        fresh = {
            (view.name, alarm.survey, alarm.number)
            for view in self._stations.views
            for alarm in view.standing
            if not alarm.acknowledged_by
        }
        if fresh - self._rung and not self.muted:
            self._ring()
        self._rung |= fresh

    def render(self) -> RenderableType:
        """Return the whole board, for the console as it is now."""
        now, wall = time.monotonic(), datetime.now(UTC)
        width, height = self._console.width, self._console.height
        views = self._stations.views
        if self._stations.find(self._chosen) is None and views:
            self._chosen = views[0].name
        parts: list[RenderableType] = [self._head(now, wall)]
        if len(views) > 1:
            parts.append(self._list(now, wall, most=max(2, height // 6)))
        chosen = self._stations.find(self._chosen)
        keys = ["↑↓ station"] if len(views) > 1 else []
        if self._acknowledge is not None:
            keys.append("a acknowledge")
        keys += ["b bell on" if self.muted else "b mute", "q quit"]
        foot = Text(" · ".join(keys), style="dim")
        if chosen is None:
            parts.append(Text("\nno station has been heard on this broker yet\n", style="dim"))
            return Group(*parts, foot)
        used = 1 + (min(len(views), max(2, height // 6)) if len(views) > 1 else 0) + 1
        return Group(*parts, self._detail(chosen, now, wall, width, height - used), foot)

    def _head(self, now: float, wall: datetime) -> RenderableType:
        link = self._link
        told = Text("swathe watch  ", style="bold")
        told.append(f"{link.address}  ", style="dim")
        if link.state == "connected":
            told.append("connected", style="green")
            told.append("" if not self.muted else "  bell muted", style="dim")
            return told
        ages = [age for view in self._stations.views if (age := view.age(now, wall)) is not None]
        shown = f" What is shown is {age_text(min(ages))} old." if ages else ""
        what = "connecting" if link.state == "connecting" else f"BROKER {link.state.upper()}"
        detail = f": {link.detail}." if link.detail else "."
        told = Text(f" {what}{detail}{shown} ", style="bold reverse", no_wrap=True)
        told.overflow = "ellipsis"
        return told

    def _list(self, now: float, wall: datetime, *, most: int) -> Table:
        views = self._stations.views
        at = next(k for k, view in enumerate(views) if view.name == self._chosen)
        first = max(0, min(at - most // 2, len(views) - most))
        table = Table(box=None, pad_edge=False, show_header=False, padding=(0, 1, 0, 0))
        for view in views[first : first + most]:
            fresh = [one for one in view.standing if not one.acknowledged_by]
            progress = view.progress
            share = 0.0 if progress is None else progress.percent
            age = view.age(now, wall)
            stale = view.is_stale(now, wall)
            state = state_text(view)
            table.add_row(
                "▶" if view.name == self._chosen else " ",
                Text(view.name, style="bold" if view.name == self._chosen else ""),
                Text(state, style="bold reverse" if state == "GONE" else ""),
                ProgressBar(total=100, completed=share, width=12),
                f"{share:6.2f} %",
                _many(0 if progress is None else progress.open_gaps, "gap"),
                Text(f"! {_many(len(fresh), 'alarm')}" if fresh else "", style="bold yellow"),
                Text(
                    "" if age is None else f"{'NOT HEARD FOR ' if stale else ''}{age_text(age)}",
                    style="bold reverse" if stale else "dim",
                ),
            )
        return table

    def _detail(
        self, view: StationView, now: float, wall: datetime, width: int, height: int
    ) -> Group:
        state, progress = view.state, view.progress
        profile = state is not None and state.plan is not None and state.plan.profile
        parts: list[RenderableType] = [Rule(self._title(view), style="dim", align="left")]
        height -= 1
        if banner := self._banner(view, now, wall):
            parts.append(banner)
            height -= 1
        if progress is not None:
            share = Table.grid(padding=(0, 1, 0, 0))
            bar = max(10, min(width - 30, 80))
            share.add_row(
                ProgressBar(total=100, completed=progress.percent, width=bar),
                f"{progress.percent:.2f} % · {_many(progress.open_gaps, 'gap')}",
            )
            going = state is not None and state.state == "scanning"
            going = going and not view.is_stale(now, wall)
            told = Text(progress_text(progress, profile=profile, going=going))
            parts += [share, told]
            height -= 1 + len(told.wrap(self._console, width))
        for alarm in view.standing[:_MOST_ALARMS]:
            style = "" if alarm.acknowledged_by else "bold yellow"
            sign = "·" if alarm.acknowledged_by else "!"
            parts.append(_one_line(f"{sign} {alarm_text(alarm)}", style))
            height -= 1
        if (more := len(view.standing) - _MOST_ALARMS) > 0:
            parts.append(_one_line(f"  and {more} alarms more", "dim"))
            height -= 1
        gaps = _places(view, progress)
        side = width >= _WIDE
        health = self._health(view, width if width < _WIDE else width // 2)
        lines = len(health) if not side else 0
        # Map, legend and list of gaps share what is left, the map first.
        listed = min(len(gaps), _MOST_LISTED, max(2, (height - lines) // 3))
        beside = max(listed + 1 + (len(gaps) > listed), len(health)) if side else listed + 1
        rows = height - 2 - lines - beside - (0 if side else len(gaps) > listed)
        map_ = self._maps.setdefault(view.name, BlockMap())
        parts.append(map_.draw(view, width=min(width, 160), height=max(rows, 1)))
        table = _gap_table(gaps, progress, view, listed, profile=profile)
        if side:
            grid = Table.grid(padding=(0, 4, 0, 0))
            grid.add_row(table, Group(*health))
            parts.append(grid)
        else:
            parts += [table, *health]
        return Group(*parts)

    def _title(self, view: StationView) -> Text:
        state = view.state
        part = f": {state.part}" if state is not None and state.part else ""
        return Text.assemble((f"{view.name}{part} ", "bold"), state_text(view))

    def _banner(self, view: StationView, now: float, wall: datetime) -> Text | None:
        age = view.age(now, wall)
        old = "" if age is None else f", what is shown is {age_text(age)} old"
        if view.state is not None and view.state.state == "gone":
            return _one_line(f" GONE{old}: {view.state.reason} ", "bold reverse")
        if view.state is not None and view.state.state == "paused":
            return _one_line(f" PAUSED: {view.state.reason} ", "bold reverse")
        if view.is_stale(now, wall) and self._link.state == "connected":
            return _one_line(f" NOT HEARD FOR {age_text(age or 0)}: is the station up? ", "reverse")
        if view.state is not None and view.state.reason:
            return _one_line(view.state.reason, "dim")
        return None

    def _health(self, view: StationView, width: int) -> list[Text]:
        """Return ports, checks and what else is to be known, in few lines."""
        ports = [view.ports[name] for name in sorted(view.ports)]
        told = [
            Text(port_text(port), "" if port.state == "open" else "bold yellow") for port in ports
        ]
        together = _one(Text(" · ").join(told))
        found = [together] if together.cell_len <= width else [_one(text) for text in told]
        check = view.last_check
        failed = check is not None and not check.passed and not check.overridden_by
        found.append(_one_line(check_text(check), "bold yellow" if failed else ""))
        if view.unread:
            unread = f"{view.unread} messages were not understood: is this the newer Swathe?"
            found.append(_one_line(unread, "dim"))
        return found


def _one(text: Text) -> Text:
    text.no_wrap, text.overflow = True, "ellipsis"
    return text


def _one_line(text: str, style: str) -> Text:
    return Text(text, style=style, no_wrap=True, overflow="ellipsis")


def _many(count: int, what: str) -> str:
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"


def _distance(gap: Cluster, progress: ProgressMessage | None) -> float:
    """Return how far the probe is from a place, mm; 0 while nobody knows where it is."""
    if progress is None:
        return 0.0
    total = 0.0
    for at, (low, high) in ((progress.scan, gap.scan), (progress.index, gap.index)):
        if at is not None:
            total += max(low - at, at - high, 0.0) ** 2
    return math.sqrt(total)


def _places(view: StationView, progress: ProgressMessage | None) -> list[Cluster]:
    """Return the places to go back to, nearest first; gaps of a stretch are one."""
    plan = None if view.state is None else view.state.plan
    reach = _REACH_CELLS * (plan.scan_resolution if plan is not None else 1.0)
    return sorted(
        cluster_gaps(view.open_gaps(), reach=reach), key=lambda gap: _distance(gap, progress)
    )


def _gap_table(
    gaps: list[Cluster],
    progress: ProgressMessage | None,
    view: StationView,
    most: int,
    *,
    profile: bool,
) -> RenderableType:
    if not gaps:
        return Text("no gap is open", style="dim")
    wanted = {one.gap for one in view.rescan.wanted} if view.rescan is not None else set()
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("gap", "away mm", "scan mm", *(() if profile else ("index mm",)), "cells"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("cause", no_wrap=True)
    for gap in gaps[:most]:
        first, last = min(gap.numbers), max(gap.numbers)
        told = f"{gap.cause}, wanted next" if wanted & set(gap.numbers) else str(gap.cause)
        table.add_row(
            str(first) if first == last else f"{first}…{last}",
            f"{_distance(gap, progress):.0f}",
            f"{gap.scan[0]:.0f}…{gap.scan[1]:.0f}",
            *(() if profile else (f"{gap.index[0]:.0f}…{gap.index[1]:.0f}",)),
            f"{gap.cells:,}",
            told,
        )
    if len(gaps) > most:
        return Group(table, Text(f"and {len(gaps) - most} places more", style="dim"))
    return table
