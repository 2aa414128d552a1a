"""What changes at the stations, a line each, for where there is no terminal."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime

from swathe.board.lost_station import lost_lines
from swathe.board.stations import Stations, StationView
from swathe.board.texts import (
    alarm_text,
    check_text,
    coverage_text,
    gap_text,
    port_text,
    progress_text,
    state_text,
)

__all__ = ["PlainLines"]

_PROGRESS_SECONDS = 5.0


class PlainLines:
    """Prints what changed since it was printed last.

    Args:
        stations: their messages.
        say: prints a line.
    """

    def __init__(self, stations: Stations, say: Callable[[str], None]) -> None:
        self._stations = stations
        self._say = say
        self._printed: dict[tuple[object, ...], object] = {}
        self._known: set[tuple[str, str]] = set()
        self._due: dict[str, float] = {}

    def refresh(self) -> None:
        """Print what is new of every station."""
        for view in self._stations.views:
            self._print_changes(view)

    def print_once(self, key: tuple[object, ...], value: object, line: str) -> None:
        """Print a line if the value under its key changed."""
        if key not in self._printed or self._printed[key] != value:
            self._printed[key] = value
            self._say(line)

    def _print_changes(self, view: StationView) -> None:
        name, now, wall = view.name, time.monotonic(), datetime.now(UTC)
        lost = lost_lines(view, now, wall)
        if view.state is not None and not (lost and view.state.state == "offline"):
            reason = f": {view.state.reason}" if view.state.reason else ""
            status: tuple[object, ...] = view.state.state, view.state.survey
            self.print_once((name, "state"), status, f"{name}: {state_text(view)}{reason}")
        self._print_gaps_and_alarms(view)
        for port in view.ports.values():
            self.print_once((name, "port", port.device), port.state, f"{name}: {port_text(port)}")
        if (check := view.last_check) is not None:
            status = check.survey, check.number, check.passed, check.overridden_by
            self.print_once((name, "check"), status, f"{name}: {check_text(check)}")
        # Printed once: the age in it is that of the moment.
        status = bool(lost), bool(lost) and view.state is not None and view.state.state
        if lost or (name, "lost") in self._printed:
            line = " · ".join(lost) if lost else "messages arrive again"
            self.print_once((name, "lost"), status, f"{name}: {line}")
        progress = view.progress
        if progress is not None and now >= self._due.get(name, 0.0):
            self._due[name] = now + _PROGRESS_SECONDS
            text = progress_text(progress, plan=view.plan, scanning=True)
            line = f"{name}: {coverage_text(progress)} · {text}"
            self.print_once((name, "progress"), (progress.measured, progress.open_gaps), line)

    def _print_gaps_and_alarms(self, view: StationView) -> None:
        """Print gaps and alarms; of what had ended before the station was known, nothing."""
        name, survey = view.name, "" if view.state is None else view.state.survey
        first = (name, survey) not in self._known
        self._known.add((name, survey))
        for gap in view.gaps.values():
            key = name, gap.survey, "gap", gap.number
            if first and not gap.is_open:
                self._printed[key] = gap.status
            line = f"{name}: {gap_text(gap, view.plan)}"
            self.print_once(key, gap.status, line)
        for alarm in view.alarms.values():
            key = name, alarm.survey, "alarm", alarm.number
            status = alarm.status, alarm.acknowledged_by
            if first and alarm.status == "over":
                self._printed[key] = status
            raised = "ALARM " if alarm.status == "raised" else ""
            self.print_once(
                key,
                status,
                f"{name}: {raised}{alarm_text(alarm, view.plan)}",
            )
