"""Alarms: what requires attention, since when, and who acknowledged it.

They are evaluated at instants of the journal's time, so that a rebuild raises the same ones at the
same times. An alarm ends when its reason has been absent for a while; when the reason returns before
that, the alarm continues. To acknowledge an alarm does not end it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline.alarms.coupling import Instead
from swathe.pipeline.checks.register import Check
from swathe.pipeline.placing.conditions import Condition, Span
from swathe.station import AlarmKind, AlarmSettings

__all__ = ["Alarm", "AlarmInputs", "AlarmRegister"]

_LINGER_NS = 2_000_000_000
_OF_AN_ECHO = (AlarmKind.COUPLING, AlarmKind.ECHOLESS)
_OF_A_RUN = (*_OF_AN_ECHO, AlarmKind.TOO_FAST, AlarmKind.PORT)

Key = tuple[AlarmKind, str]


@dataclass(slots=True)
class Alarm:
    """One alarm; times in ns UTC, lengths in mm.

    Attributes:
        number: from 1.
        kind: what it is about.
        detail: the text.
        device: whose port; empty for others.
        scan: extent on the scan axis; None without a position.
        index: extent on the index axis.
        since: when its reason began.
        until: when that ended; None while it lasts.
        acknowledged_by: who acknowledged it; empty before anybody did.
        acknowledged: when; None before.
        minimum_scan: of the cell with the minimum thickness, where the alarm is about one.
        minimum_index: likewise.
    """

    number: int
    kind: AlarmKind
    detail: str
    device: str = ""
    scan: Span | None = None
    index: Span | None = None
    since: int = 0
    until: int | None = None
    acknowledged_by: str = ""
    acknowledged: int | None = None
    minimum_scan: float | None = None
    minimum_index: float | None = None


@dataclass(frozen=True, slots=True)
class AlarmInputs:
    """What the alarms depend on at an instant; times in ns UTC.

    Attributes:
        now: the instant.
        open_gaps: number of open gaps.
        too_fast: whether cells are about to be skipped.
        limit: mm/s at which they are; None while unknown.
        ports: (state, detail) by device.
        coupled: when the gauge last had an echo, its port opened, or scanning resumed after a
            pause; None while nobody scans.
        instead: what comes instead of an echo.
        scan: newest position; None while unknown.
        index: likewise.
        overdue: whether a calibration check is overdue.
        due: when it is due.
        failed: the failed check in force of each probe by its name, empty for a single one; None
            without.
        conditions: the newest change of each condition of a device.
        utc_offset: ns from host time, which conditions have, to UTC.
    """

    now: int
    open_gaps: int
    too_fast: bool
    limit: float | None
    ports: dict[str, tuple[str, str]]
    coupled: int | None
    instead: Instead
    scan: float | None
    index: float | None
    overdue: bool
    due: int | None
    failed: Mapping[str, Check | None]
    conditions: tuple[Condition, ...] = ()
    utc_offset: int = 0


class AlarmRegister:
    """All alarms of a survey.

    Args:
        settings: conditions of the alarms; those of a later run may differ.
        units: in which the texts of alarms write lengths; likewise.
    """

    def __init__(self, settings: AlarmSettings, units: DisplayUnits = MILLIMETRES) -> None:
        self.settings = settings
        self.units = units
        self.alarms: list[Alarm] = []
        self._raised: dict[Key, Alarm] = {}
        self._begun: dict[Key, int] = {}
        self._absent: dict[Key, int] = {}
        self._due: dict[Key, int] = {}
        self._changed: dict[int, Alarm] = {}
        self._of_conditions: set[Key] = set()
        self._gaps = 0
        self._acknowledged_gaps: int | None = None

    @property
    def next_due(self) -> int | None:
        """When an alarm is raised or ends if nothing else changes, ns UTC; None if none does."""
        return min(self._due.values(), default=None)

    def take_changed(self) -> list[Alarm]:
        """Return the alarms that changed since the last call, by number."""
        changed = [self._changed[number] for number in sorted(self._changed)]
        self._changed.clear()
        return changed

    def raise_alarm(
        self,
        kind: AlarmKind,
        detail: str,
        *,
        since: int,
        device: str = "",
        scan: Span | None = None,
        index: Span | None = None,
    ) -> Alarm:
        """Raise an alarm; the caller ends it."""
        alarm = Alarm(
            number=len(self.alarms) + 1,
            kind=kind,
            detail=detail,
            device=device,
            scan=scan,
            index=index,
            since=since,
        )
        self.alarms.append(alarm)
        self.add_change(alarm)
        return alarm

    def add_change(self, alarm: Alarm) -> None:
        """Add an alarm to those that changed."""
        self._changed[alarm.number] = alarm

    def end(self, alarm: Alarm, time: int) -> None:
        """End an alarm whose reason ended at `time`."""
        alarm.until = time
        self.add_change(alarm)

    def acknowledge(self, number: int, by: str, time: int) -> None:
        """Acknowledge an alarm; the first one to do so is kept."""
        if not 1 <= number <= len(self.alarms) or self.alarms[number - 1].acknowledged_by:
            return
        alarm = self.alarms[number - 1]
        alarm.acknowledged_by, alarm.acknowledged = by, time
        if alarm is self._raised.get((AlarmKind.GAPS, "")):
            self._acknowledged_gaps = self._gaps
        self.add_change(alarm)

    def alarm_meant(self, detail: Mapping[str, Any]) -> int | None:
        """Return the number of the alarm that a mark acknowledges; None where there is none.

        Once readings are placed otherwise, the alarm of the same number may be another one. It is
        then the newest one of the mark's kind and device, and of its place where it is about cells,
        that nobody has acknowledged.
        """
        number = int(detail["alarm"])
        if "about" not in detail:
            return number
        found = [alarm for alarm in self.alarms if _is_meant(alarm, detail)]
        if any(alarm.number == number for alarm in found):
            return number
        waiting = [alarm.number for alarm in found if not alarm.acknowledged_by]
        return waiting[-1] if waiting else None

    def evaluate(self, inputs: AlarmInputs) -> None:
        """Raise, change and end alarms at an instant."""
        here = _point(inputs.scan), _point(inputs.index)
        self._evaluate_gaps(inputs)
        waited = self.settings.coupling_lost
        lost = inputs.coupled is not None and inputs.now - inputs.coupled >= waited
        for kind in _OF_AN_ECHO:
            self._update(
                (kind, ""),
                lost and inputs.instead.kind is kind,
                inputs,
                begun=inputs.coupled,
                detail=lambda: inputs.instead.text,
                position=here,
            )
        self._update(
            (AlarmKind.TOO_FAST, ""),
            inputs.too_fast,
            inputs,
            after=self.settings.too_fast,
            detail=lambda: (
                f"go slower than {self.units.number(inputs.limit or 0.0, 0)} {self.units.speed_name}, "
                "or cells are skipped"
            ),
            position=here,
        )
        for device, (state, detail) in inputs.ports.items():
            self._update(
                (AlarmKind.PORT, device),
                state != "open",
                inputs,
                after=self.settings.port_lost,
                detail=partial(_port_detail, state, detail),
            )
        self._update(
            (AlarmKind.CHECK_OVERDUE, ""),
            inputs.overdue,
            inputs,
            begun=inputs.due,
            detail=lambda: "check the calibration on the block",
        )
        for probe, failed in inputs.failed.items():
            self._update(
                (AlarmKind.CHECK_FAILED, probe),
                failed is not None,
                inputs,
                begun=None if failed is None else failed.time,
                detail=partial(_failed_detail, failed),
            )
        for condition in inputs.conditions:
            self._update_condition(condition, inputs)

    def _update_condition(self, condition: Condition, inputs: AlarmInputs) -> None:
        key = (condition.kind, condition.of)
        self._of_conditions.add(key)
        self._update(
            key,
            condition.holds,
            inputs,
            begun=None if condition.since is None else condition.since + inputs.utc_offset,
            detail=lambda: condition.detail,
            position=(condition.scan, condition.index),
        )

    def _evaluate_gaps(self, inputs: AlarmInputs) -> None:
        key = (AlarmKind.GAPS, "")
        alarm, count = self._raised.get(key), inputs.open_gaps
        self._gaps = count
        if alarm is not None and self._acknowledged_gaps is not None:
            if count > self._acknowledged_gaps:  # more than were acknowledged: another alarm
                self._end(key, inputs.now)
            else:
                self._acknowledged_gaps = count
        self._update(
            key,
            count >= self.settings.gaps,
            inputs,
            detail=lambda: _gaps_text(count),
        )
        if self._raised.get(key) is None:
            self._acknowledged_gaps = None

    def _update(
        self,
        key: Key,
        active: bool,
        inputs: AlarmInputs,
        *,
        detail: Callable[[], str],
        begun: int | None = None,
        after: int = 0,
        position: tuple[Span | None, Span | None] = (None, None),
    ) -> None:
        """Raise, change or end the alarm of `key`.

        Args:
            key: kind and device.
            active: whether its reason exists.
            inputs: of this instant.
            detail: returns its text.
            begun: since when the reason exists, if that is known better than from instants.
            after: how long it must exist, ns.
            position: scan and index when it is raised.
        """
        now, alarm = inputs.now, self._raised.get(key)
        self._due.pop(key, None)
        if not active:
            self._begun.pop(key, None)
            if alarm is not None:
                ends = self._absent.setdefault(key, now) + _LINGER_NS
                if now >= ends:
                    self._end(key, self._absent[key])
                else:
                    self._due[key] = ends
            return
        self._absent.pop(key, None)
        since = self._begun.setdefault(key, now) if begun is None else begun
        if alarm is None:
            if key[0] in self.settings.off:
                return
            if now - since < after:
                self._due[key] = since + after
            else:
                scan, index = position
                self._raised[key] = self.raise_alarm(
                    key[0], detail(), since=since, device=key[1], scan=scan, index=index
                )
        elif key[0] is not AlarmKind.TOO_FAST and alarm.detail != (text := detail()):
            alarm.detail = text
            self.add_change(alarm)

    def _end(self, key: Key, time: int) -> None:
        self._absent.pop(key, None)
        self._due.pop(key, None)
        self._begun.pop(key, None)
        if key[0] is AlarmKind.GAPS:
            self._acknowledged_gaps = None
        self.end(self._raised.pop(key), time)

    def count_gaps_at_end(self, count: int, time: int) -> None:
        """State in an alarm of gaps how many the run leaves; without one it ends at `time`, ns UTC."""
        key = (AlarmKind.GAPS, "")
        if (alarm := self._raised.get(key)) is None:
            return
        if not count:
            self._end(key, time)
        elif alarm.detail != (text := _gaps_text(count)):
            alarm.detail = text
            self.add_change(alarm)

    def end_run(self, time: int) -> None:
        """End the run, and the alarms that concern only a run."""
        for key in list(self._raised):
            if key in self._absent:  # its reason was over already
                self._end(key, self._absent[key])
            elif key[0] in _OF_A_RUN or key in self._of_conditions:
                self._end(key, time)
        self._of_conditions.clear()
        self._begun.clear()
        self._absent.clear()
        self._due.clear()


def _is_meant(alarm: Alarm, detail: Mapping[str, Any]) -> bool:
    """Return whether an alarm is of the kind, device and place of a mark."""
    if (str(alarm.kind), alarm.device) != (detail["about"], detail["device"]):
        return False
    if alarm.kind is not AlarmKind.THIN:
        return True  # where the probe was when it was raised makes it no other alarm
    pairs = (alarm.scan, detail["scan"]), (alarm.index, detail["index"])
    return all(
        here is None or there is None or (here[0] <= there[1] and there[0] <= here[1])
        for here, there in pairs
    )


def _gaps_text(count: int) -> str:
    return f"{count} open" if count > 1 else "one open"


def _failed_detail(check: Check | None) -> str:
    if check is None:
        return ""
    if check.probe_name:
        return f"check {check.number} of probe {check.probe_name}: its readings are suspect"
    return f"check {check.number}: readings are suspect"


def _port_detail(state: str, detail: str) -> str:
    return f"{state}: {detail}" if detail else state


def _point(at: float | None) -> Span | None:
    return None if at is None else (at, at)
