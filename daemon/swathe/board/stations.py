"""The newest messages of each station."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

from pydantic import ValidationError

from swathe.display_units import DisplayUnits
from swathe.messages import (
    ROOT,
    AlarmMessage,
    CheckingMessage,
    CheckMessage,
    ConfirmMessage,
    CrawlerMessage,
    GapIndexMessage,
    GapMessage,
    LineMessage,
    Message,
    PlanMessage,
    PortMessage,
    ProgressMessage,
    RescanMessage,
    SpotsMessage,
    StateMessage,
    newest_checks,
)
from swathe.messages.bounded_json import parse_json
from swathe.station import AlarmKind

__all__ = ["STALE_SECONDS", "StationView", "Stations"]

M = TypeVar("M", bound=Message)

# A station that scans sends several messages a second, over a slow link every few seconds.
STALE_SECONDS = 10.0
"""A working station that has sent nothing for so long is silent."""
_AT_WORK = ("scanning", "paused", "waiting", "faulted")
# A message of a station has some kB; a plan of many zones and marks some more.
_MESSAGE_BYTES = 1 << 20
# Bounds of a plan that is drawn: 1,000 km, cells of 1 nm, and lines.
_FAR_MM, _FINE_MM, _LINES = 1e9, 1e-6, 500_000
_MODELS: dict[str, type[Message]] = {
    "state": StateMessage,
    "progress": ProgressMessage,
    "crawler": CrawlerMessage,
    "rescan": RescanMessage,
    "line": LineMessage,
    "gap": GapMessage,
    "gaps": GapIndexMessage,
    "check": CheckMessage,
    "checking": CheckingMessage,
    "alarm": AlarmMessage,
    "port": PortMessage,
    "spots": SpotsMessage,
    "confirm": ConfirmMessage,
}


@dataclass(slots=True)
class StationView:
    """The newest messages of one station.

    Attributes:
        name: of the station.
        unread: messages that could not be read, or of a version that this program does not know.
        last_state: the newest state that the station itself published; a will is the broker's.
        last_plan: of the survey, from the newest state that had one.
        received: when its last message came that was not retained, monotonic seconds; None before.
        newest: the newest time in any message of it.
    """

    name: str
    state: StateMessage | None = None
    last_state: StateMessage | None = None
    last_plan: PlanMessage | None = None
    progress: ProgressMessage | None = None
    crawler: CrawlerMessage | None = None
    rescan: RescanMessage | None = None
    spots: SpotsMessage | None = None
    checking: CheckingMessage | None = None
    confirm: ConfirmMessage | None = None
    gap_index: GapIndexMessage | None = None
    lines: dict[int, LineMessage] = field(default_factory=dict)
    gaps: dict[int, GapMessage] = field(default_factory=dict)
    checks: dict[int, CheckMessage] = field(default_factory=dict)
    alarms: dict[int, AlarmMessage] = field(default_factory=dict)
    ports: dict[str, PortMessage] = field(default_factory=dict)
    unread: int = 0
    received: float | None = None
    newest: datetime | None = None
    _survey: str = ""

    def take(self, kind: str, name: str, payload: bytes, *, retained: bool, now: float) -> None:
        """Take a message from a broker.

        Args:
            kind: part of the topic after the station, and
            name: the part after that, or nothing.
            payload: the message; empty where the broker forgets it.
            retained: whether the broker had kept it.
            now: monotonic seconds.
        """
        if not payload:
            self._forget(kind, name)
            return
        model = _MODELS.get(kind)
        if model is None:  # of a later version
            return
        try:
            contents = parse_json(payload, limit=_MESSAGE_BYTES, controls=True)
            message = _read(model, contents)
            if isinstance(message, StateMessage) and message.plan is not None:
                _check_plan(message.plan)
            self.put(name, message, now=None if retained else now)
        except (ValueError, LookupError, TypeError, ArithmeticError):
            self.unread += 1

    def put(self, name: str, message: Message, *, now: float | None) -> None:
        """Put a message in the place of the older one of its topic.

        Args:
            name: last part of the topic, where it has one after its kind.
            message: the message.
            now: monotonic seconds; None for a retained one.

        Raises:
            ValueError: it belongs to an older survey, or its name is no number.
        """
        if message.survey != self._survey:
            self._begin_survey(message)
        match message:
            case StateMessage():
                self.state = message
                self.last_plan = message.plan or self.last_plan
                if message.state == "offline":
                    return  # a will: the time in it is that of the connection
                self.last_state = message
            case ProgressMessage():
                self.progress = message
            case CrawlerMessage():
                self.crawler = message
            case RescanMessage():
                self.rescan = message
            case SpotsMessage():
                self.spots = message
            case CheckingMessage():
                self.checking = message
            case ConfirmMessage():
                self.confirm = message
            case LineMessage():
                self.lines[int(name)] = message
            case GapMessage():
                self.gaps[int(name)] = message
            case GapIndexMessage():
                self.gap_index = message
            case CheckMessage():
                self.checks[int(name)] = message
            case AlarmMessage():
                self.alarms[int(name)] = message
            case PortMessage():
                self.ports[name] = message
        if now is not None:
            self.received = now
        if self.newest is None or message.time > self.newest:
            self.newest = message.time

    def _begin_survey(self, message: Message) -> None:
        """Forget an older survey at the first message of a newer one."""
        if self.newest is not None and message.time < self.newest:
            error = "a retained message of an older survey"
            raise ValueError(error)
        self._survey = message.survey
        for kept in (self.lines, self.gaps, self.checks, self.alarms, self.ports):
            kept.clear()
        self.state = self.last_state = self.last_plan = self.progress = self.rescan = self.spots = (
            self.checking
        ) = None
        self.confirm = self.crawler = self.gap_index = None

    def _forget(self, kind: str, name: str) -> None:
        kept: dict[str, dict[int, Any]] = {
            "line": self.lines,
            "gap": self.gaps,
            "check": self.checks,
            "alarm": self.alarms,
        }
        if kind == "gaps":
            self.gap_index = None
        if kind in kept and name.isdecimal():
            kept[kind].pop(int(name), None)

    @property
    def raised_alarms(self) -> list[AlarmMessage]:
        """Alarms whose reason lasts: the unacknowledged first, then the newest.

        That readings have no place follows from others, such as a lost position: it comes after them.
        """
        raised = [alarm for alarm in self.alarms.values() if alarm.status == "raised"]

        def rank(alarm: AlarmMessage) -> tuple[bool, bool, int]:
            follows = alarm.kind == AlarmKind.UNPLACED
            return bool(alarm.acknowledged_by), follows, -alarm.number

        return sorted(raised, key=rank)

    @property
    def new_alarms(self) -> list[AlarmMessage]:
        """Raised alarms that nobody has acknowledged."""
        return [alarm for alarm in self.raised_alarms if not alarm.acknowledged_by]

    @property
    def last_check(self) -> CheckMessage | None:
        """The last calibration check; of several probes first one that failed and passed none since."""
        made = [self.checks[number] for number in sorted(self.checks)]
        failed = [one for one in newest_checks(made).values() if one.probe and not one.passed]
        shown = failed or made
        return shown[-1] if shown else None

    @property
    def has_spots(self) -> bool:
        """Whether the plan is spots without an encoder."""
        return self.plan is not None and self.plan.spots

    @property
    def is_profile(self) -> bool:
        """Whether the plan is one line without an index axis."""
        return self.plan is not None and self.plan.profile

    @property
    def plan(self) -> PlanMessage | None:
        """What is scanned; None while unknown. A will, and a survey being resumed, have none."""
        newest = None if self.state is None else self.state.plan
        return newest or self.last_plan

    @property
    def units(self) -> DisplayUnits:
        """In which lengths of the station are shown."""
        return DisplayUnits("mm" if self.plan is None else self.plan.units)

    def open_gaps(self) -> list[GapMessage]:
        """Return the open gaps."""
        return [gap for gap in self.gaps.values() if gap.is_open]

    @property
    def gaps_not_listed(self) -> int:
        """Number of open gaps that have no message of their own."""
        return 0 if self.gap_index is None else self.gap_index.open - self.gap_index.listed

    def age(self, now: float, wall: datetime) -> float | None:
        """Return the age of the newest message, s; None before any.

        Args:
            now: monotonic seconds.
            wall: the time of day, which the station's own may differ from.
        """
        if self.received is not None:
            return now - self.received
        return None if self.newest is None else max((wall - self.newest).total_seconds(), 0.0)

    @property
    def is_at_work(self) -> bool:
        """Whether its run is neither over nor lost nor still being resumed."""
        return self.state is not None and self.state.state in _AT_WORK

    def is_stale(self, now: float, wall: datetime) -> bool:
        """Return whether no message comes from a station that ought to send some."""
        age = self.age(now, wall)
        return self.is_at_work and age is not None and age > STALE_SECONDS


class Stations:
    """All stations from which a message came, by name."""

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

    def take(self, topic: str, payload: bytes, *, retained: bool, now: float) -> None:
        """Take a message from a broker; the arguments are those of `StationView.take`."""
        if (parts := _parts(topic)) is None:
            return
        station, kind, name = parts
        if payload or station in self._views:
            view = self._views.setdefault(station, StationView(station))
            view.take(kind, name, payload, retained=retained, now=now)

    def put(self, topic: str, message: Message, *, now: float) -> None:
        """Put a message of this process, as `StationView.put`."""
        if (parts := _parts(topic)) is not None:
            station, _, name = parts
            self._views.setdefault(station, StationView(station)).put(name, message, now=now)


def _parts(topic: str) -> tuple[str, str, str] | None:
    """Return station, kind and name from a topic; None where it is not one of Swathe's."""
    root, _, rest = topic.partition("/")
    station, _, rest = rest.partition("/")
    if root != ROOT or not station or not rest:
        return None
    kind, _, name = rest.partition("/")
    return station, kind, name


def _check_plan(plan: PlanMessage) -> None:
    """Raise `ValueError` where no map of a plan can be drawn: anybody may have sent it."""
    spans = [(plan.scan.low, plan.scan.high), (plan.index.low, plan.index.high)]
    drawn = all(-_FAR_MM <= low < high <= _FAR_MM for low, high in spans)
    cells = all(_FINE_MM <= one <= _FAR_MM for one in (plan.scan_resolution, plan.index_resolution))
    if not (drawn and cells and 1 <= plan.lines <= _LINES):
        message = "a plan that cannot be drawn"
        raise ValueError(message)


def _read(model: type[M], contents: Any) -> M:  # noqa: ANN401  any JSON
    """Return the message; fields that a later version of Swathe has added are ignored."""
    try:
        return model.model_validate(contents)
    except ValidationError as error:
        extra = [one["loc"] for one in error.errors() if one["type"] == "extra_forbidden"]
        if not extra:
            raise
    for path in extra:
        part = contents
        for key in path[:-1]:
            part = part[key]
        del part[path[-1]]
    return model.model_validate(contents)
