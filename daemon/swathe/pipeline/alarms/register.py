"""Alarms: what somebody should look at now, since when, and who has seen it.

They are judged at each tick of the journal, so that a rebuild raises the same ones at the same
times. An alarm ends when its reason has been gone for a while; one whose reason comes back before
that is still the same. Who acknowledges an alarm has seen it, which does not end it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from swathe.pipeline.checks.register import Check
from swathe.station import AlarmKind, AlarmSettings

__all__ = ["Alarm", "AlarmInputs", "AlarmRegister"]

_LINGER_NS = 2_000_000_000
_OF_A_RUN = (AlarmKind.COUPLING, AlarmKind.TOO_FAST, AlarmKind.PORT)

Span = tuple[float, float]
Key = tuple[AlarmKind, str]


@dataclass(slots=True)
class Alarm:
    """One alarm; times in ns UTC, lengths in mm.

    Attributes:
        number: from 1.
        kind: what it is about.
        detail: in words.
        device: whose port; empty for others.
        scan: where, from and to; None without a place.
        index: likewise.
        since: when its reason began.
        until: when that ended; None while it lasts.
        acknowledged_by: who has seen it; empty before anybody did.
        acknowledged: and when; None before.
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


@dataclass(frozen=True, slots=True)
class AlarmInputs:
    """What is so at a tick; times in ns UTC.

    Attributes:
        now: the tick's time.
        open_gaps: how many.
        too_fast: whether cells are about to be skipped.
        limit: mm/s at which they are; None while unknown.
        ports: (state, detail) by device.
        coupled: when the gauge last had an echo, or scanning went on after a pause; None before,
            and while nobody scans.
        scan: newest position; None while unknown.
        index: likewise.
        overdue: whether a check of the calibration is overdue, and
        due: since when.
        failed: the failed check in force; None without.
    """

    now: int
    open_gaps: int
    too_fast: bool
    limit: float | None
    ports: dict[str, tuple[str, str]]
    coupled: int | None
    scan: float | None
    index: float | None
    overdue: bool
    due: int | None
    failed: Check | None


class AlarmRegister:
    """All alarms of a survey.

    Args:
        settings: when there is one; a later run's may differ.
    """

    def __init__(self, settings: AlarmSettings) -> None:
        self.settings = settings
        self.alarms: list[Alarm] = []
        self._raised: dict[Key, Alarm] = {}
        self._begun: dict[Key, int] = {}
        self._gone: dict[Key, int] = {}
        self._changed: dict[int, Alarm] = {}
        self._gaps = 0
        self._seen_gaps: int | None = None

    @property
    def standing(self) -> list[Alarm]:
        """Alarms whose reason lasts, by number."""
        return [alarm for alarm in self.alarms if alarm.until is None]

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
        """Raise an alarm; who raises it ends it."""
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
        self.note(alarm)
        return alarm

    def note(self, alarm: Alarm) -> None:
        """Take note that an alarm changed."""
        self._changed[alarm.number] = alarm

    def end(self, alarm: Alarm, time: int) -> None:
        """Its reason is gone since `time`."""
        alarm.until = time
        self.note(alarm)

    def acknowledge(self, number: int, by: str, time: int) -> None:
        """Somebody has seen an alarm; the first one to say so counts."""
        if not 1 <= number <= len(self.alarms) or self.alarms[number - 1].acknowledged_by:
            return
        alarm = self.alarms[number - 1]
        alarm.acknowledged_by, alarm.acknowledged = by, time
        if alarm is self._raised.get((AlarmKind.GAPS, "")):
            self._seen_gaps = self._gaps
        self.note(alarm)

    def evaluate(self, sight: AlarmInputs) -> None:
        """Judge what is so at a tick."""
        here = _point(sight.scan), _point(sight.index)
        self._look_at_gaps(sight)
        waited = self.settings.coupling_lost
        lost = sight.coupled is not None and sight.now - sight.coupled >= waited
        self._judge(
            (AlarmKind.COUPLING, ""),
            lost,
            sight,
            begun=sight.coupled,
            detail=lambda: "no echo; look at couplant and probe",
            place=here,
        )
        self._judge(
            (AlarmKind.TOO_FAST, ""),
            sight.too_fast,
            sight,
            after=self.settings.too_fast,
            detail=lambda: f"go slower than {sight.limit or 0:.0f} mm/s, or cells are skipped",
            place=here,
        )
        for device, (state, detail) in sight.ports.items():
            self._judge(
                (AlarmKind.PORT, device),
                state != "open",
                sight,
                after=self.settings.port_lost,
                detail=partial(_port_detail, state, detail),
            )
        self._judge(
            (AlarmKind.CHECK_OVERDUE, ""),
            sight.overdue,
            sight,
            begun=sight.due,
            detail=lambda: "check the calibration on the block",
        )
        failed = sight.failed
        self._judge(
            (AlarmKind.CHECK_FAILED, ""),
            failed is not None,
            sight,
            begun=None if failed is None else failed.time,
            detail=lambda: (
                "" if failed is None else f"check {failed.number}: what is read is in doubt"
            ),
        )

    def _look_at_gaps(self, sight: AlarmInputs) -> None:
        key = (AlarmKind.GAPS, "")
        alarm, count = self._raised.get(key), sight.open_gaps
        self._gaps = count
        if alarm is not None and self._seen_gaps is not None:
            if count > self._seen_gaps:  # somebody has seen fewer: it is another alarm
                self._finish(key, sight.now)
            else:
                self._seen_gaps = count
        many = count >= self.settings.gaps
        self._judge(key, many, sight, detail=lambda: f"{count} open" if count > 1 else "one open")
        if self._raised.get(key) is None:
            self._seen_gaps = None

    def _judge(
        self,
        key: Key,
        so: bool,
        sight: AlarmInputs,
        *,
        detail: Callable[[], str],
        begun: int | None = None,
        after: int = 0,
        place: tuple[Span | None, Span | None] = (None, None),
    ) -> None:
        """Raise, change or end the alarm of `key`.

        Args:
            key: kind and device.
            so: whether its reason is there.
            sight: of this tick.
            detail: returns it in words.
            begun: since when it is so, if that is known better than from ticks.
            after: how long it must be so.
            place: where, as it is raised.
        """
        now, alarm = sight.now, self._raised.get(key)
        if not so:
            self._begun.pop(key, None)
            if alarm is not None and now - self._gone.setdefault(key, now) >= _LINGER_NS:
                self._finish(key, self._gone[key])
            return
        self._gone.pop(key, None)
        since = self._begun.setdefault(key, now) if begun is None else begun
        if alarm is None:
            if now - since >= after and key[0] not in self.settings.off:
                scan, index = place
                self._raised[key] = self.raise_alarm(
                    key[0], detail(), since=since, device=key[1], scan=scan, index=index
                )
        elif key[0] is not AlarmKind.TOO_FAST and alarm.detail != (text := detail()):
            alarm.detail = text
            self.note(alarm)

    def _finish(self, key: Key, time: int) -> None:
        self._gone.pop(key, None)
        self._begun.pop(key, None)
        if key[0] is AlarmKind.GAPS:
            self._seen_gaps = None
        self.end(self._raised.pop(key), time)

    def end_run(self, time: int) -> None:
        """The run is over, and with it what is so only while somebody scans."""
        for key in [key for key in self._raised if key[0] in _OF_A_RUN]:
            self._finish(key, time)
        self._begun.clear()
        self._gone.clear()


def _port_detail(state: str, detail: str) -> str:
    return f"{state}: {detail}" if detail else state


def _point(at: float | None) -> Span | None:
    return None if at is None else (at, at)
