"""A station on a bench in simulated time: a journal, its pipeline, and the commands of a run."""

from __future__ import annotations

import heapq
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray

from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Tick
from swathe.live.commands import Commands
from swathe.live.session import Session
from swathe.pipeline import Pipeline, Placed, ProbePath
from swathe.pipeline.revisions import REVISION_MARKS, RevisionLog
from swathe.station import Station, parse_station

__all__ = ["Bench", "SeenReadings", "Shown", "replay"]

START: Final = 1_234_567_890_123
UTC: Final = 1_800_000_000_000_000_000
_TICK_S: Final = 0.04


class SeenReadings:
    """Keeps the readings with an echo that a pipeline placed, and where."""

    def __init__(self) -> None:
        self._pieces: list[tuple[NDArray[Any], ...]] = []

    def placed(self, placed: Placed) -> None:
        """Keep readings with their positions."""
        valid = placed.readings["valid"]
        readings = placed.readings[valid]
        self._pieces.append((readings["thickness"].copy(), placed.scan[valid], placed.index[valid]))

    def moved_along(self, path: ProbePath) -> None:
        """Take no notice of the path."""

    def delay_changed(self) -> None:
        """Take no notice: no delay changes."""

    def columns(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return thickness, scan and index position of each, mm, shape (n,)."""
        if not self._pieces:
            return np.empty(0), np.empty(0), np.empty(0)
        thickness, scan, index = (
            np.concatenate(column) for column in zip(*self._pieces, strict=True)
        )
        return thickness, scan, index


def replay(station: Station, journal: list[Entry]) -> tuple[Pipeline, SeenReadings]:
    """Return the pipeline of a whole journal, as a rebuild makes it, and what it placed."""
    seen = SeenReadings()
    log = RevisionLog()
    log.open_run()
    for entry in journal:
        if isinstance(entry, Mark) and entry.kind in REVISION_MARKS:
            log.take(entry.kind, entry.detail, entry.time + UTC - START)
    pipeline = Pipeline(station, observer=seen, revisions=log.in_force)
    pipeline.collect_all(journal)
    pipeline.advance()
    return pipeline, seen


class Shown:
    """An alarm as somebody at the board saw it.

    Attributes:
        kind: its kind.
        since, until: s; `until` is None while it lasts.
    """

    def __init__(self, kind: str, since: float, until: float | None) -> None:
        self.kind = kind
        self.since = since
        self.until = until

    def __repr__(self) -> str:
        until = "" if self.until is None else f"{self.until:.2f}"
        return f"{self.kind} {self.since:.2f}..{until}"


class Bench:
    """A run in simulated time; it has what commands need of a session.

    Args:
        text: the station file.

    Attributes:
        station: as parsed.
        text: as given.
        journal: its entries so far.
        commands: of the run.
        replies: the commands' replies so far.
        survey: the survey's identity.
        resumed: None: nothing is being resumed.
    """

    survey = "s-1"
    resumed: float | None = None

    def __init__(self, text: str) -> None:
        self.text = text
        self.station = parse_station(text, "bench.toml")
        self.journal: list[Entry] = []
        self._now = 0.0
        self._coming: list[tuple[float, int, Entry]] = []
        self._number = 0
        self._ticked = 0.0
        self._pipeline = Pipeline(self.station)
        self.commands = Commands(
            self.station, cast("Session", self), stop=lambda _: None, ending=lambda: False
        )
        self.replies: list[str] = []
        self._shown: dict[tuple[str, int], Shown] = {}
        opened = {"survey": self.survey, "station": text, "versions": {}, "utc_ns": UTC}
        self._enter(Mark(START, MarkKind.OPENED, opened))
        for number, port in enumerate(self.station.device):
            self._enter(PortChange(START + 1 + number, port, "open", ""))

    @property
    def now(self) -> float:
        """The time, s."""
        return self._now

    @property
    def utc_now(self) -> int:
        """The time, ns UTC."""
        return _host(self._now) + UTC - START

    @property
    def pipeline(self) -> Pipeline:
        """The pipeline of the run."""
        return self._pipeline

    def mark(self, kind: MarkKind, **detail: Any) -> None:
        """Journal a mark."""
        self._enter(Mark(_host(self._now), kind, detail))
        if kind in REVISION_MARKS:  # the survey is placed again
            self._pipeline, _ = replay(self.station, self.journal)

    def port(self, name: str, state: str, reason: str = "") -> None:
        """Journal a change of a port."""
        self._enter(PortChange(_host(self._now), name, state, reason))

    def run(self, seconds: float, arrivals: list[tuple[float, str, bytes]]) -> None:
        """Let time pass, in which these chunks arrive, or later: (s, port, bytes)."""
        for when, port, data in arrivals:
            self._number += 1
            heapq.heappush(self._coming, (when, self._number, Chunk(_host(when), port, data)))
        end = self._now + seconds
        entries: list[Entry] = []
        while self._coming and self._coming[0][0] <= end:
            when, _, entry = heapq.heappop(self._coming)
            while self._ticked + _TICK_S <= when:
                self._ticked += _TICK_S
                entries.append(Tick(_host(self._ticked)))
            entries.append(entry)
        self._now = end
        entries.append(Tick(_host(end)))
        self._ticked = max(self._ticked, end)
        self.journal += entries
        self._pipeline.collect_all(entries)
        self._pipeline.advance()
        for alarm in self._pipeline.alarms.take_changed():
            since = _seconds(alarm.since)
            until = None if alarm.until is None else _seconds(alarm.until)
            self._shown[alarm.kind, alarm.since] = Shown(str(alarm.kind), since, until)

    def alarms(self) -> list[Shown]:
        """Return all alarms that were shown so far, also of what was discarded since."""
        return list(self._shown.values())

    def raised(self, *kinds: str) -> bool:
        """Return whether an alarm of one of these kinds lasts."""
        return any(
            alarm.kind in kinds and alarm.until is None for alarm in self._pipeline.alarms.alarms
        )

    def end(self) -> None:
        """End the run."""
        self.run(1.0, [])
        status = "complete" if self._pipeline.target_reached else "incomplete"
        self.mark(MarkKind.ENDED, status=status, reason="")

    def _enter(self, entry: Entry) -> None:
        self.journal.append(entry)
        self._pipeline.feed(entry)


def _host(seconds: float) -> int:
    return START + 1000 + round(seconds * 1e9)


def _seconds(utc: int) -> float:
    return (utc - UTC - 1000) / 1e9
