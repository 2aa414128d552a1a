"""What a broker's messages tell of each station."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

from pydantic import ValidationError

from swathe.messages import (
    ROOT,
    AlarmMessage,
    CheckMessage,
    GapMessage,
    LineMessage,
    Message,
    PortMessage,
    ProgressMessage,
    RescanMessage,
    StateMessage,
)

__all__ = ["StationView", "Stations"]

M = TypeVar("M", bound=Message)

# A station that scans is heard several times a second, over a slow link every few seconds.
_STALE_SECONDS = 10.0


@dataclass(slots=True)
class StationView:
    """One station as it was heard last.

    Attributes:
        name: of the station.
        unread: messages that were none, or of a version that this program does not know.
        heard: when something fresh came last, monotonic seconds; None while all is retained.
        newest: the newest time in any message.
    """

    name: str
    state: StateMessage | None = None
    progress: ProgressMessage | None = None
    rescan: RescanMessage | None = None
    lines: dict[int, LineMessage] = field(default_factory=dict)
    gaps: dict[int, GapMessage] = field(default_factory=dict)
    checks: dict[int, CheckMessage] = field(default_factory=dict)
    alarms: dict[int, AlarmMessage] = field(default_factory=dict)
    ports: dict[str, PortMessage] = field(default_factory=dict)
    unread: int = 0
    heard: float | None = None
    newest: datetime | None = None
    _survey: str = ""

    def take(self, kind: str, name: str, payload: bytes, *, retained: bool, now: float) -> None:
        """Take a message.

        Args:
            kind: part of the topic after the station, and
            name: the part after that, or nothing.
            payload: the message.
            retained: whether the broker had kept it.
            now: monotonic seconds.
        """
        if not payload:
            self._forget(kind, name)
            return
        try:
            message = self._put(kind, name, json.loads(payload))
        except (ValueError, KeyError, TypeError):
            self.unread += 1
            return
        if message is None:
            return
        if not retained:
            self.heard = now
        if self.newest is None or message.time > self.newest:
            self.newest = message.time

    def _put(self, kind: str, name: str, told: Any) -> Message | None:  # noqa: ANN401  any JSON
        match kind:
            case "state":
                self.state = self._of_survey(_read(StateMessage, told))
                return self.state
            case "progress":
                self.progress = self._of_survey(_read(ProgressMessage, told))
                return self.progress
            case "rescan":
                self.rescan = self._of_survey(_read(RescanMessage, told))
                return self.rescan
            case "line":
                return self._keep(self.lines, int(name), _read(LineMessage, told))
            case "gap":
                return self._keep(self.gaps, int(name), _read(GapMessage, told))
            case "check":
                return self._keep(self.checks, int(name), _read(CheckMessage, told))
            case "alarm":
                return self._keep(self.alarms, int(name), _read(AlarmMessage, told))
            case "port":
                return self._keep(self.ports, name, _read(PortMessage, told))
        return None  # a later version may tell more

    def _keep(self, found: dict[Any, M], key: int | str, message: M) -> M:
        found[key] = self._of_survey(message)
        return message

    def _of_survey(self, message: M) -> M:
        """Return the message; forget an older survey at the first one of a newer."""
        if message.survey != self._survey:
            if self.newest is not None and message.time < self.newest:
                msg = "a retained message of an older survey"
                raise ValueError(msg)
            self._survey = message.survey
            for found in (self.lines, self.gaps, self.checks, self.alarms, self.ports):
                found.clear()
            self.state = self.progress = self.rescan = None
        return message

    def _forget(self, kind: str, name: str) -> None:
        held: dict[str, dict[int, Any]] = {
            "line": self.lines,
            "gap": self.gaps,
            "check": self.checks,
            "alarm": self.alarms,
        }
        if kind in held and name.isdecimal():
            held[kind].pop(int(name), None)

    @property
    def standing(self) -> list[AlarmMessage]:
        """Alarms whose reason lasts: those nobody has seen first, then the newest."""
        raised = [one for one in self.alarms.values() if one.status == "raised"]
        return sorted(raised, key=lambda one: (bool(one.acknowledged_by), -one.number))

    @property
    def last_check(self) -> CheckMessage | None:
        """The last check of the calibration."""
        return self.checks[max(self.checks)] if self.checks else None

    def open_gaps(self) -> list[GapMessage]:
        """Return the open gaps."""
        return [gap for gap in self.gaps.values() if gap.is_open]

    def age(self, now: float, wall: datetime) -> float | None:
        """Return how old the newest news are, s; None before any.

        Args:
            now: monotonic seconds.
            wall: the time of day, which the station's own may differ from.
        """
        if self.heard is not None:
            return now - self.heard
        return None if self.newest is None else max((wall - self.newest).total_seconds(), 0.0)

    def is_stale(self, now: float, wall: datetime) -> bool:
        """Return whether a station that ought to be heard is not."""
        age = self.age(now, wall)
        going = self.state is not None and self.state.state in ("scanning", "paused")
        return going and age is not None and age > _STALE_SECONDS


class Stations:
    """All stations that were heard of, by name."""

    def __init__(self) -> None:
        self._views: dict[str, StationView] = {}

    def __len__(self) -> int:
        return len(self._views)

    @property
    def views(self) -> list[StationView]:
        """The stations by name."""
        return [self._views[name] for name in sorted(self._views)]

    def find(self, name: str) -> StationView | None:
        """Return the station of that name."""
        return self._views.get(name)

    def take(self, topic: str, payload: bytes, *, retained: bool, now: float) -> StationView | None:
        """Take a message; return its station."""
        root, _, rest = topic.partition("/")
        station, _, rest = rest.partition("/")
        if root != ROOT or not station or not rest:
            return None
        kind, _, name = rest.partition("/")
        view = self._views.get(station)
        if view is None:
            if not payload:
                return None
            view = self._views[station] = StationView(station)
        view.take(kind, name, payload, retained=retained, now=now)
        return view


def _read(model: type[M], told: Any) -> M:  # noqa: ANN401  any JSON
    """Return the message; fields that a later version of Swathe has added are passed over."""
    try:
        return model.model_validate(told)
    except ValidationError as error:
        extra = [one["loc"] for one in error.errors() if one["type"] == "extra_forbidden"]
        if not extra:
            raise
    for place in extra:
        here = told
        for part in place[:-1]:
            here = here[part]
        del here[place[-1]]
    return model.model_validate(told)
