"""When the bell rings: once for most events, twice for those that cannot wait; never in a row.

(The intervals are our choice, no source.)
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from swathe.board.stations import StationView
from swathe.station import AlarmKind, SoundEvent

__all__ = ["Bells"]

_URGENT = frozenset(
    {
        AlarmKind.COUPLING,
        AlarmKind.THIN,
        AlarmKind.PORT,
        AlarmKind.CHECK_FAILED,
        AlarmKind.ENCODER,
        AlarmKind.SLIP,
        AlarmKind.CLOCK,
        AlarmKind.HELD,
        AlarmKind.POSITION,
        AlarmKind.STANDSTILL,
        AlarmKind.SILENT,
        AlarmKind.ECHOLESS,
        AlarmKind.DISK_FULL,
        AlarmKind.DISK_FAILS,
        AlarmKind.DISK_STALLED,
        AlarmKind.CLOCK_NOT_SET,
        AlarmKind.CRAWLER,
    }
)
# Many terminals make one bell of two that are closer.
_APART_SECONDS = 0.4
_QUIET_SECONDS = 2.0
_GAPS_SECONDS = 10.0


class Bells:
    """Decides when the bell rings for what is new at the stations.

    Args:
        sounds: the events that ring; all if None.

    Attributes:
        muted: whether the bell is silent. What happens meanwhile does not ring afterwards.
    """

    def __init__(self, sounds: Collection[str] | None = None) -> None:
        self._sounds = None if sounds is None else frozenset(map(str, sounds))
        self._known: set[tuple[str, str, str, int]] = set()
        self._surveys: set[tuple[str, str]] = set()
        self._paused: set[str] = set()
        self._waiting = 0
        self._strokes: list[float] = []
        self._quiet_until = float("-inf")
        self._gaps_until = float("-inf")
        self.muted = False

    def ring(self, views: Iterable[StationView], now: float) -> bool:
        """Return whether the bell is to ring at `now`, monotonic seconds."""
        strokes = max((self._strokes_of(event, now) for event in self._new(views)), default=0)
        if self.muted:
            self._waiting = 0
            self._strokes.clear()
            return False
        self._waiting = max(self._waiting, strokes)
        if self._waiting and now >= self._quiet_until:
            self._strokes = [now + k * _APART_SECONDS for k in range(self._waiting)]
            self._quiet_until = self._strokes[-1] + _QUIET_SECONDS
            self._waiting = 0
        if self._strokes and now >= self._strokes[0]:
            self._strokes.pop(0)
            return True
        return False

    def _strokes_of(self, event: str, now: float) -> int:
        if self._sounds is not None and event not in self._sounds:
            return 0
        if event == SoundEvent.GAP:
            if now < self._gaps_until:
                return 0
            self._gaps_until = now + _GAPS_SECONDS
        return 2 if event in _URGENT else 1

    def _new(self, views: Iterable[StationView]) -> Iterator[str]:
        """Yield the events since the last call; gaps that were open at the first one are old."""
        for view in views:
            for alarm in view.new_alarms:
                if self._add(view.name, alarm.survey, "alarm", alarm.number):
                    yield alarm.kind
            survey = view.name, "" if view.state is None else view.state.survey
            first = survey not in self._surveys
            self._surveys.add(survey)
            for gap in view.open_gaps():
                if self._add(view.name, gap.survey, "gap", gap.number) and not first:
                    yield SoundEvent.GAP
            if view.state is not None and view.state.state == "paused":
                if view.name not in self._paused:
                    self._paused.add(view.name)
                    yield SoundEvent.PAUSED
            else:
                self._paused.discard(view.name)

    def _add(self, station: str, survey: str, kind: str, number: int) -> bool:
        """Return whether an event is new, and keep it."""
        event = station, survey, kind, number
        if event in self._known:
            return False
        self._known.add(event)
        return True
