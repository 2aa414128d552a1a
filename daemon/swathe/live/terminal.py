"""The run as its own terminal shows it: a live board, or plain lines where there is no terminal."""

from __future__ import annotations

import contextlib
import math
import time
from types import TracebackType
from typing import Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from swathe.keys import terminal_keys
from swathe.live.hand_guide import where_by_hand
from swathe.live.service import Daemon
from swathe.page import Page
from swathe.pipeline import Alarm, GapEnd, GapSnapshot, ProgressSnapshot
from swathe.report.blockmap import block_map
from swathe.report.clusters import Cluster, cluster_gaps

__all__ = ["CAUTION", "Board", "PlainLines", "page_line", "terminal_observer"]

CAUTION = (
    "Swathe measures; it does not judge fitness for service. Site rules, local codes and a "
    "licensed practitioner decide. It is no emergency stop."
)

_REFRESH_SECONDS = 0.25
_LISTED_GAPS = 8
# Gaps of one line no farther apart than this are one place to go back to.
_REACH_CELLS = 10
_PLAIN_SECONDS = 5.0


def terminal_observer(console: Console) -> Board | PlainLines:
    """Return the observer that fits the console."""
    return Board(console) if console.is_terminal else PlainLines(console)


class PlainLines:
    """Tells gaps and, now and then, the progress, a line each."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._due = 0.0
        self._known: set[int] = set()
        self._alarms: dict[int, tuple[bool, str]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        return None

    def show(self, daemon: Daemon, gaps: list[GapSnapshot]) -> None:
        """Print what is new."""
        for gap in gaps:
            if line := self._gap_line(gap):
                self._console.print(line, highlight=False, soft_wrap=True)
        for alarm in daemon.pipeline.alarms.alarms:
            status = (alarm.until is not None, alarm.acknowledged_by)
            if self._alarms.get(alarm.number) != status:
                self._alarms[alarm.number] = status
                self._console.print(f"alarm {describe_alarm(alarm)}", highlight=False, markup=False)
        if time.monotonic() >= self._due:
            self._due = time.monotonic() + _PLAIN_SECONDS
            line = progress_line(daemon.pipeline.progress())
            self._console.print(line, highlight=False, soft_wrap=True)

    def _gap_line(self, gap: GapSnapshot) -> str:
        if gap.is_open and gap.number not in self._known:
            self._known.add(gap.number)
            return f"gap {gap.number} opened: {describe_gap(gap)}"
        if gap.end is GapEnd.MEASURED:
            return f"gap {gap.number} closed: measured"
        if gap.end is GapEnd.MERGED:
            return f"gap {gap.number} is part of gap {gap.merged_into} now"
        return ""


class Board:
    """A live board: coverage, position, map, gaps by distance, ports; and keys to steer by."""

    def __init__(self, console: Console) -> None:
        self._live = Live(console=console, auto_refresh=False, transient=False)
        self._due = 0.0
        self._keys: contextlib.ExitStack = contextlib.ExitStack()
        self._daemon: Daemon | None = None
        self._said = ""

    def __enter__(self) -> Self:
        self._live.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._keys.close()
        if self._daemon is not None:
            self._live.update(self._render(self._daemon), refresh=True)
        self._live.__exit__(kind, error, trace)

    def show(self, daemon: Daemon, gaps: list[GapSnapshot]) -> None:  # noqa: ARG002  lists them itself
        """Draw the board anew, four times a second at most."""
        if self._daemon is None:
            self._daemon = daemon
            self._keys.enter_context(terminal_keys(self._press))
        if time.monotonic() >= self._due:
            self._due = time.monotonic() + _REFRESH_SECONDS
            self._live.update(self._render(daemon), refresh=True)

    def _press(self, key: str) -> None:
        daemon = self._daemon
        if daemon is None:
            return
        if key == "n":
            self._said = daemon.commands.set_line(daemon.pipeline.line + 1, "terminal")
        elif key == "p":
            self._said = daemon.commands.set_line(daemon.pipeline.line - 1, "terminal")
        elif key == " ":
            paused = daemon.pipeline.pauses.active
            commands = daemon.commands
            self._said = commands.resume("terminal") if paused else commands.pause("terminal", "")
        elif key == "a":
            self._acknowledge(daemon)
        elif key == "g" and daemon.crawl is not None:
            self._said = daemon.crawl.go_on(daemon.station.survey.operator or "terminal")
        elif key == "q":
            daemon.stop("stopped by the user")

    def _acknowledge(self, daemon: Daemon) -> None:
        """Whoever stands at the terminal has seen all that stands there."""
        by = daemon.station.survey.operator or "terminal"
        seen = [one for one in daemon.pipeline.alarms.standing if not one.acknowledged_by]
        for alarm in seen:
            daemon.commands.acknowledge(alarm.number, by)
        self._said = f"{len(seen)} alarms acknowledged by {by}"

    def _render(self, daemon: Daemon) -> RenderableType:
        pipeline = daemon.pipeline
        progress = pipeline.progress()
        width = max(20, min(self._live.console.width - 6, 120))
        # What stands around map and list takes 17 lines; they share the rest.
        room = self._live.console.height - 17 - len(pipeline.tallies)
        rows = max(1, min(pipeline.grid.shape[0], room - 3, 24))
        listed = max(1, min(room - rows, _LISTED_GAPS))
        at = None
        if pipeline.coverage.probe_cell >= 0:
            at = divmod(pipeline.coverage.probe_cell, pipeline.grid.shape[1])
        part = daemon.station.survey.part or daemon.station.name
        keys = "space pause · a acknowledge · q stop"
        if daemon.station.index is not None and daemon.station.index.mode == "stepped":
            keys = f"n next line · p previous line · {keys}"
        if daemon.crawl is not None:
            keys = f"g go on after a stop · {keys}"
        return Panel(
            Group(
                ProgressBar(total=100, completed=progress.percent, width=width),
                Text("\n" + progress_line(progress, profile=daemon.station.index is None) + "\n"),
                _alarm_line(daemon),
                block_map(pipeline.grid, width=width, height=rows, probe=at),
                _gap_table(daemon, progress, listed),
                _port_table(daemon),
                where_next(daemon, progress),
                Text(self._said, style="bold"),
                Text(CAUTION, style="dim"),
            ),
            title=f"{daemon.station.name}: {part}",
            subtitle=keys,
        )


def progress_line(progress: ProgressSnapshot, *, profile: bool = False) -> str:
    """Return the progress in one line; a line profile has no index position."""
    scan = "–" if progress.scan is None else f"{progress.scan:.1f}"
    index = "–" if progress.index is None else f"{progress.index:.1f}"
    place = scan if profile else f"{scan} / {index}"
    limit = "" if progress.speed_limit is None else f" of at most {progress.speed_limit:.0f}"
    fast = " TOO FAST" if progress.too_fast else ""
    slip = "" if progress.slipped_at is None else f", SLIPPED at {progress.slipped_at:.0f} mm"
    left = "" if progress.seconds_left is None else f", {_clock(progress.seconds_left)} left"
    least = "" if progress.minimum is None else f", least {progress.minimum:.2f} mm"
    if progress.minimum_expanded is not None:
        least += f" ± {progress.minimum_expanded:.2f}"
    doubt = f", {progress.suspect:,} SUSPECT" if progress.suspect else ""
    overdue = ", CHECK OVERDUE" if progress.check_overdue else ""
    return (
        f"{progress.percent:.2f} % of {progress.required:,} cells, "
        f"at {place} mm, {progress.speed:.0f}{limit} mm/s{fast}, {progress.rate:.0f} readings/s, "
        f"{progress.open_gaps} gaps{least}{slip}{doubt}{overdue}{left}"
    )


def describe_gap(gap: GapSnapshot) -> str:
    """Return a gap's place and cause in one line."""
    return (
        f"{gap.cause}, scan {gap.scan[0]:.1f} to {gap.scan[1]:.1f} mm, "
        f"index {gap.index[0]:.1f} to {gap.index[1]:.1f} mm, {gap.cells} cells"
    )


def describe_alarm(alarm: Alarm) -> str:
    """Return an alarm in one line."""
    what = f"#{alarm.number} {alarm.kind}"
    where = f" {alarm.device}" if alarm.device else ""
    if alarm.scan is not None:
        where = f" at {sum(alarm.scan) / 2:.0f}"
        where += "" if alarm.index is None else f" / {sum(alarm.index) / 2:.0f} mm"
    seen = f" (seen by {alarm.acknowledged_by})" if alarm.acknowledged_by else ""
    over = " is over" if alarm.until is not None else f": {alarm.detail}"
    return f"{what}{where}{over}{seen}"


def _alarm_line(daemon: Daemon) -> Text:
    """Return what stands, newest first and what nobody has seen before the rest, in one line."""
    if daemon.pipeline.pauses.active:
        return Text("PAUSED: readings belong to no cell", style="bold reverse")
    alarms = sorted(
        daemon.pipeline.alarms.standing, key=lambda one: (bool(one.acknowledged_by), -one.number)
    )
    if not alarms:
        return Text("no alarm", style="dim")
    fresh = any(not one.acknowledged_by for one in alarms)
    told = " · ".join(describe_alarm(one) for one in alarms)
    line = Text(
        f"{'!' if fresh else '·'} {told}", style="bold yellow" if fresh else "", no_wrap=True
    )
    line.overflow = "ellipsis"
    return line


def where_next(daemon: Daemon, progress: ProgressSnapshot) -> Text:
    """Return what the crawler does, or where an inspector goes next, in one line."""
    if daemon.crawl is not None:
        told = f"crawler {daemon.crawl.machine.state}: {daemon.crawl.words or 'begins'}"
    else:
        step = where_by_hand(daemon.pipeline, (progress.scan, progress.index))
        told = "next: nothing was left behind" if step is None else f"next: {step.words}"
    return Text(told, no_wrap=True, overflow="ellipsis")


def _clock(seconds: float) -> str:
    minutes, seconds = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def _distance(gap: Cluster, progress: ProgressSnapshot) -> float:
    """Return how far the probe is from a gap, mm."""
    total = 0.0
    for at, (low, high) in ((progress.scan, gap.scan), (progress.index, gap.index)):
        if at is not None:
            total += max(low - at, at - high, 0.0) ** 2
    return math.sqrt(total)


def _gap_table(daemon: Daemon, progress: ProgressSnapshot, most: int) -> Table:
    """Return the open gaps, nearest first; those of a stretch together."""
    profile = daemon.station.index is None
    reach = _REACH_CELLS * daemon.pipeline.grid.scan.resolution
    gaps = cluster_gaps(daemon.pipeline.open_gap_snapshots(), reach=reach)
    gaps.sort(key=lambda gap: _distance(gap, progress))
    table = Table(box=None, pad_edge=False)
    headings = ("gap", "away mm", "scan mm", *(() if profile else ("index mm",)), "cells", "cause")
    for heading in headings:
        table.add_column(heading, justify="left" if heading == "cause" else "right", no_wrap=True)
    for gap in gaps[:most]:
        first, last = min(gap.numbers), max(gap.numbers)
        table.add_row(
            str(first) if first == last else f"{first}…{last}",
            f"{_distance(gap, progress):.0f}",
            f"{gap.scan[0]:.0f}…{gap.scan[1]:.0f}",
            *(() if profile else (f"{gap.index[0]:.0f}…{gap.index[1]:.0f}",)),
            str(gap.cells),
            str(gap.cause),
        )
    if len(gaps) > most:
        table.caption = f"and {len(gaps) - most} places more"
    return table


def _port_table(daemon: Daemon) -> Table:
    table = Table(box=None, pad_edge=False, expand=True)
    for heading, width in (("port", 10), ("state", 10)):
        table.add_column(heading, no_wrap=True, width=width)
    for heading, width in (("bytes", 14), ("faults", 7)):
        table.add_column(heading, no_wrap=True, width=width, justify="right")
    # A port takes one line, whatever it tells.
    table.add_column(no_wrap=True, overflow="ellipsis", ratio=1)
    for name, tally in daemon.pipeline.tallies.items():
        faults = sum(tally.faults.values())
        detail = tally.detail if tally.state != "open" else ""
        if not detail and tally.recent:
            detail = str(tally.recent[-1])
        if tally.saturated:
            clipped = f"{tally.saturated:,} echoes saturated: lower the gain"
            detail = f"{clipped}; {detail}" if detail else clipped
        table.add_row(name, tally.state, f"{tally.bytes:,}", f"{faults:,}", Text(detail))
    found = daemon.delay.newest
    if found is not None and found.sure:
        told = f"{found.delay / 1e6:+.2f} ms ± {found.error / 1e6:.2f} ms beside what is in force"
        table.add_row("delay", "measured", "", "", Text(f"{daemon.delay.gauge} comes {told}"))
    if daemon.link is not None:
        table.add_row("broker", daemon.link.state, "", "", Text(daemon.link.detail))
    if daemon.page is not None:
        page = daemon.page
        told = page.trouble or f"{page.viewers} viewers"
        table.add_row("page", "lost" if page.trouble else "open", "", "", Text(told))
    return table


def page_line(page: Page) -> str:
    """Return where the page is, or why it is not there."""
    return page.trouble or f"page: {page.url}"
