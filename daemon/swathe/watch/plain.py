"""What changes at the stations, a line each, for where there is no terminal."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime

from swathe.watch.link import WatchLink
from swathe.watch.stations import Stations, StationView
from swathe.watch.words import age_text, alarm_text, check_text, port_text, state_text

__all__ = ["PlainLines"]

_PROGRESS_SECONDS = 5.0


class PlainLines:
    """Tells what is new since it was told last.

    Args:
        stations: what is known.
        link: the link, whose state is told.
        say: prints a line.
    """

    def __init__(self, stations: Stations, link: WatchLink, say: Callable[[str], None]) -> None:
        self._stations = stations
        self._link = link
        self._say = say
        self._told: dict[tuple[object, ...], object] = {}
        self._due: dict[str, float] = {}

    def look(self) -> None:
        """Tell what is new."""
        link = self._link
        detail = f": {link.detail}" if link.detail else ""
        self._tell(("broker",), link.state, f"broker {link.address} {link.state}{detail}")
        for view in self._stations.views:
            self._look_at(view)

    def _look_at(self, view: StationView) -> None:
        name, now = view.name, time.monotonic()
        if view.state is not None:
            reason = f": {view.state.reason}" if view.state.reason else ""
            status: tuple[object, ...] = view.state.state, view.state.survey
            self._tell((name, "state"), status, f"{name}: {state_text(view)}{reason}")
        for gap in view.gaps.values():
            what = f"{name}: gap {gap.number}"
            if gap.status == "open":
                extent = f"scan {gap.scan.low:.1f} to {gap.scan.high:.1f} mm"
                extent += f", index {gap.index.low:.1f} to {gap.index.high:.1f} mm"
                told = f"{what} open: {gap.cause}, {extent}, {gap.cells} cells"
            else:
                told = f"{what} closed: {gap.end}"
            self._tell((name, gap.survey, "gap", gap.number), gap.status, told)
        for alarm in view.alarms.values():
            told = (
                f"ALARM {alarm_text(alarm)}"
                if alarm.status == "raised"
                else (f"alarm #{alarm.number} {alarm.kind} is over")
            )
            status = alarm.status, alarm.acknowledged_by
            self._tell((name, alarm.survey, "alarm", alarm.number), status, f"{name}: {told}")
        for port in view.ports.values():
            self._tell((name, "port", port.device), port.state, f"{name}: {port_text(port)}")
        if (check := view.last_check) is not None:
            status = check.survey, check.number, check.passed, check.overridden_by
            self._tell((name, "check"), status, f"{name}: {check_text(check)}")
        stale = view.is_stale(now, datetime.now(UTC))
        age = view.age(now, datetime.now(UTC)) or 0.0
        told = f"not heard for {age_text(age)}" if stale else "heard"
        if stale or (name, "stale") in self._told:
            self._tell((name, "stale"), stale, f"{name}: {told}")
        if view.progress is not None and now >= self._due.get(name, 0.0):
            self._due[name] = now + _PROGRESS_SECONDS
            at = view.progress
            told = f"{name}: {at.percent:.2f} %, {at.open_gaps} gaps, {at.speed:.0f} mm/s"
            self._tell((name, "progress"), (at.measured, at.open_gaps), told)

    def _tell(self, key: tuple[object, ...], value: object, line: str) -> None:
        if key not in self._told or self._told[key] != value:
            self._told[key] = value
            self._say(line)
